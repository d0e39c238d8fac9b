"""The page as a web application: addresses, and how each kind of failure is answered."""

from __future__ import annotations

import json
import re
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from importlib import resources
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from weedset.errors import ConflictError, LabelError, StoreError, WeedsetError
from weedset.fields import Fields, parse_json
from weedset.labelstore import open_label_store
from weedset.server import cells, desk
from weedset.server.gate import Doors, Gate
from weedset.server.room import Room, RoomSettings

_KINDS = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "html": "text/html; charset=utf-8",
    "svg": "image/svg+xml",
}

#: Tiles never change: the address of each holds the digest of its photo.
_FOREVER = {"cache-control": "private, max-age=31536000, immutable"}

_TILE = re.compile(r"([0-9]{1,12})-([0-9a-f]{16})\.jpg")
_AROUND = re.compile(r"([0-9]{1,12})-([0-9a-f]{16})-([1-3])\.jpg")

Talk = Callable[[Room, Fields], dict[str, Any]]

_TALKS: dict[str, Talk] = {
    "start": desk.start,
    "cells": cells.window,
    "some": cells.some,
    "label": cells.label,
    "batch": desk.batch,
    "species": desk.species,
    "progress": desk.progress,
    "agreement": desk.agreement,
}


def make_app(settings: RoomSettings, doors: Doors) -> ASGIApp:
    """Return the page for one workspace, behind its gate."""
    files = _static_files()

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        # Opened here because SQLite wants one thread, and this is the one that answers.
        with open_label_store(settings.workspace) as store:
            app.state.room = Room(settings, store)
            try:
                yield
            finally:
                app.state.room.close()

    async def static(request: Request) -> Response:
        return _file(files, request.path_params.get("name", "index.html"))

    async def enter(request: Request) -> Response:
        if request.method == "GET":
            if not doors.takes_codes:
                return _file(files, "shut.html")
            return _file(files, "wrong.html" if "wrong" in request.query_params else "enter.html")
        text = (await request.body())[:100].decode("ascii", "replace")
        session = doors.enter_by_code(re.sub(r"[^0-9]", "", text))
        return gate.let_in(session) if session else RedirectResponse("/enter?wrong", 303)

    app = Starlette(
        routes=[
            Route("/", static),
            Route("/static/{name}", static),
            Route("/enter", enter, methods=["GET", "POST"]),
            Route("/tile/{name}", _tile),
            Route("/around/{name}", _around),
            *(
                Route(f"/api/{name}", _talk(talk), methods=["POST"])
                for name, talk in _TALKS.items()
            ),
        ],
        lifespan=lifespan,
    )
    gate = Gate(app, doors)
    return gate


def _static_files() -> dict[str, bytes]:
    """Read all files of the page once: no address ever opens one."""
    folder = resources.files("weedset.server") / "static"
    files = {item.name: item.read_bytes() for item in folder.iterdir() if item.is_file()}
    files["wrong.html"] = files["enter.html"].replace(b" hidden>", b">")
    return files


def _file(files: dict[str, bytes], name: str) -> Response:
    kind = _KINDS.get(name.rpartition(".")[2])
    if name not in files or kind is None:
        return Response("There is no such page.", 404)
    return Response(files[name], headers={"content-type": kind, "cache-control": "no-cache"})


def _talk(talk: Talk) -> Callable[[Request], Any]:
    async def answer(request: Request) -> Response:
        try:
            text = (await request.body()).decode("utf-8", "replace")
            record = talk(request.app.state.room, parse_json(text, "request", LabelError))
        except ConflictError as error:
            return _failure(error, 409, tile_ids=error.tile_ids)
        except StoreError as error:
            return _failure(error, 503 if "cannot be used" in error.what else 400)
        except WeedsetError as error:
            return _failure(error, 400)
        except ClientDisconnect:
            return Response(status_code=400)
        return Response(
            json.dumps(record, ensure_ascii=False, separators=(",", ":")),
            media_type="application/json",
        )

    return answer


def _failure(error: WeedsetError, status: int, **more: Any) -> Response:
    return JSONResponse(
        {"what": error.what, "where": error.where, "fix": error.fix, **more}, status
    )


async def _tile(request: Request) -> Response:
    room: Room = request.app.state.room
    place, _ = _asked(room, _TILE.fullmatch(request.path_params["name"]))
    if place < 0:
        return Response(status_code=404)
    try:
        return Response(room.pictures.tile(place), media_type="image/jpeg", headers=_FOREVER)
    except StoreError:
        return Response(status_code=404)  # the page shows it as damaged


async def _around(request: Request) -> Response:
    room: Room = request.app.state.room
    place, radius = _asked(room, _AROUND.fullmatch(request.path_params["name"]))
    if place < 0:
        return Response(status_code=404)
    data = await run_in_threadpool(room.pictures.around, place, radius)
    return Response(data, media_type="image/jpeg", headers=_FOREVER)


def _asked(room: Room, match: re.Match[str] | None) -> tuple[int, int]:
    """Return the place of the tile that an address names, -1 for none, and the radius."""
    if match is None:
        return -1, 0
    place = room.index.place(int(match[1]))
    if place < 0 or not room.index.photo_of(place).digest.startswith(match[2]):
        return -1, 0
    return place, int(match[3]) if match.re is _AROUND else 0
