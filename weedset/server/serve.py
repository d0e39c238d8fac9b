"""Opening the page: one server per workspace, on this computer unless asked otherwise."""

from __future__ import annotations

import socket
import sys
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import uvicorn

from weedset.errors import SettingsError
from weedset.labelstore import only_one_labels, open_label_store
from weedset.server.app import make_app
from weedset.server.gate import Doors
from weedset.server.room import RoomSettings

#: How long the background may hold the interpreter while a label waits for it.
_SWITCH_S = 0.0005

#: Never sent to: only asks the system which of our addresses faces the network (RFC 5737).
_SOMEWHERE = ("192.0.2.1", 9)


def serve(
    settings: RoomSettings,
    *,
    port: int,
    phone: bool,
    open_browser: bool,
    tell: Callable[[str], None],
) -> None:
    """Serve the page until interrupted.

    Raises StoreError where the workspace is open already or cannot be used, SettingsError
    where the port cannot be had.
    """
    with open_label_store(settings.workspace):
        pass  # what is wrong with it is said here, before anything is served
    with only_one_labels(settings.workspace), _listening(port, phone) as listener:
        port = listener.getsockname()[1]
        names = ["127.0.0.1", "localhost"]
        outside = _own_address() if phone else ""
        if outside:
            names.insert(0, outside)

        def new_code(code: str) -> None:
            tell(f"Phone on the same network: http://{outside}:{port}/  code {code}")

        hosts = frozenset(f"{name}:{port}" for name in names)
        doors = Doors(hosts, port, new_code if phone else None)
        link = f"http://127.0.0.1:{port}/?key={doors.link_key}"
        tell(f"Labelling page (this link works once): {link}")
        tell("Every label is saved as you make it. Stop with Ctrl+C.")
        config = uvicorn.Config(
            make_app(settings, doors),
            log_level="error",
            access_log=False,
            server_header=False,
            ws="none",
            timeout_graceful_shutdown=2,
        )
        sys.setswitchinterval(_SWITCH_S)
        if open_browser:
            webbrowser.open(link)
        uvicorn.Server(config).run(sockets=[listener])


@contextmanager
def _listening(port: int, phone: bool) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind(("0.0.0.0" if phone else "127.0.0.1", port))  # noqa: S104  # asked for
        except OSError as exc:
            fix = "give another one: --port 0 takes any that is free"
            raise SettingsError(f"port {port} cannot be had ({exc.strerror})", fix=fix) from exc
        listener.listen()  # so that a browser opened before the server is up waits for it
        yield listener


def _own_address() -> str:
    """Return the address under which this computer is seen on its network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(_SOMEWHERE)
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()
