"""An S3-compatible object store on this machine (moto's server), that can be made to fail."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any
from urllib.request import Request, urlopen
from wsgiref.types import StartResponse, WSGIEnvironment

BUCKET = "weeds"


class ObjectStore:
    """The server. `meddle` sees each request, and may answer it by a status line instead."""

    def __init__(self) -> None:
        from moto.server import DomainDispatcherApplication, create_backend_app

        self._app = DomainDispatcherApplication(create_backend_app)
        self.meddle: Callable[[str, str], str | None] = lambda method, path: None
        self._server: Any = None
        self._stopping: threading.Thread | None = None
        self.port = 0
        self.start()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Start, with what was kept, at a new port: the system may hold on to the old one."""
        from werkzeug.serving import make_server

        if self._stopping is not None:
            self._stopping.join()
        self._server = make_server("127.0.0.1", 0, self._answer, threaded=True)
        self.port = self._server.server_port
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()

    def stop_soon(self) -> str:
        """Stop from within an answer, which is the last one."""
        self._stopping = threading.Thread(target=self.stop)
        self._stopping.start()
        return "500 Internal Server Error"

    def reset(self) -> None:
        """Empty it, let everyone in, and make the bucket."""
        self.meddle = lambda method, path: None
        self._let_in(float("inf"))
        self.ask("POST", "/moto-api/reset")
        self.ask("PUT", f"/{BUCKET}")

    def let_nobody_in(self) -> None:
        """From now on a key must be known, and none is."""
        self._let_in(0)

    def _let_in(self, requests: float) -> None:
        from moto import settings
        from moto.core.responses import ActionAuthenticatorMixin

        settings.INITIAL_NO_AUTH_ACTION_COUNT = requests
        ActionAuthenticatorMixin.request_count = 0

    def ask(self, method: str, path: str, data: bytes = b"") -> bytes:
        # A name of the bucket's own host is not needed: the path tells the bucket.
        headers = {"Authorization": "AWS4-HMAC-SHA256 Credential=k/20240101/us-east-1/s3/aws4"}
        request = Request(self.address + path, data or None, headers, method=method)
        with urlopen(request, timeout=10) as answer:
            body: bytes = answer.read()
        return body

    def _answer(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        status = self.meddle(environ["REQUEST_METHOD"], environ["PATH_INFO"])
        if status is not None:
            start_response(status, [("Content-Length", "0"), ("Connection", "close")])
            return [b""]
        answered: Iterable[bytes] = self._app(environ, start_response)
        return answered


@contextmanager
def object_store() -> Iterator[ObjectStore]:
    """Run a store."""
    store = ObjectStore()
    try:
        yield store
    finally:
        store.stop()
