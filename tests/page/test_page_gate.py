"""Nobody but the browser that was let in gets anything, and no address opens a file."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from tests.page.conftest import BARE, ORIGIN, Caller, Garden
from weedset.server.app import make_app
from weedset.server.gate import Doors, Gate
from weedset.server.room import RoomSettings
from weedset.taxonomy import load_species


def test_the_link_works_once(caller: Caller) -> None:
    caller.client.cookies.clear()
    answer = caller.client.get(f"/?key={caller.doors.link_key}")
    assert answer.url.path == "/enter"
    assert caller.client.get("/").url.path == "/enter"


def test_a_used_link_says_so_where_no_code_was_ever_shown(garden: Garden) -> None:
    doors = Doors(frozenset({"127.0.0.1:8473"}), 8473, None)
    settings = RoomSettings(garden.workspace, "me", load_species())
    with TestClient(make_app(settings, doors), base_url=ORIGIN) as client:
        link = f"/?key={doors.link_key}"
        assert "main.js" in client.get(link).text
        assert "main.js" in client.get(link).text  # the browser that is in stays in
        client.cookies.clear()
        for path in (link, "/", "/enter"):
            assert "This link was used: start <b>weedset label</b> again" in client.get(path).text
            assert "<input" not in client.get(path).text
        headers = {"origin": ORIGIN, "content-type": "text/plain"}
        client.post("/enter", content="code=", headers=headers)
        assert client.post("/api/start", json={}, headers=headers).status_code == 401


def test_the_code_works_once_and_five_wrong_ones_spend_it(caller: Caller) -> None:
    client, code = caller.client, caller.codes[-1]
    client.cookies.clear()
    headers = {"origin": ORIGIN, "content-type": "text/plain"}
    client.post("/enter", content=f"code={code[:3]} {code[3:]}\r\n", headers=headers)
    assert client.get("/api/none").status_code == 404
    client.cookies.clear()
    assert client.post("/enter", content=f"code={code}", headers=headers).url.path == "/enter"
    fresh = caller.codes[-1]
    assert fresh != code
    wrong = f"{(int(fresh) + 1) % 1_000_000:06d}"
    for _ in range(5):
        client.post("/enter", content=f"code={wrong}", headers=headers)
    assert caller.codes[-1] != fresh
    assert client.post("/enter", content=f"code={fresh}", headers=headers).url.path == "/enter"


@pytest.mark.parametrize(
    "path", ["/", "/api/start", "/tile/1-0000000000000000.jpg", "/static/main.js"]
)
def test_without_a_session_nothing_is_given(caller: Caller, path: str) -> None:
    caller.client.cookies.clear()
    answer = caller.client.request(
        "POST" if "api" in path else "GET", path, headers={"origin": ORIGIN}, follow_redirects=False
    )
    assert answer.status_code in (303, 401)


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"host": "evil.example"}, 403),
        ({"host": "evil.example:8473"}, 403),
        ({"origin": "http://evil.example"}, 403),
        ({"origin": "null"}, 403),
        ({"origin": "http://localhost:8473"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"content-length": "999999999"}, 413),
    ],
)
def test_strange_hosts_and_origins_are_refused(
    caller: Caller, headers: dict[str, str], status: int
) -> None:
    answer = caller.client.post("/api/start", json={}, headers={"origin": ORIGIN, **headers})
    assert answer.status_code == status


def test_a_post_without_origin_is_refused(caller: Caller) -> None:
    assert caller.client.post("/api/start", json={}).status_code == 403
    assert caller.client.put("/api/start", json={}).status_code == 405


def test_a_body_without_announced_length_is_cut_off(caller: Caller) -> None:
    def endless() -> object:
        for _ in range(100):
            yield b"[" * 10_000

    answer = caller.client.post("/api/start", content=endless(), headers={"origin": ORIGIN})
    assert answer.status_code == 400


def test_every_answer_forbids_what_is_not_ours(caller: Caller) -> None:
    for path in ("/", "/enter", "/static/main.js", "/nothing"):
        headers = caller.client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
    assert "httponly" in str(Gate).lower() or caller.client.cookies


def test_the_session_cookie_is_out_of_reach_of_scripts(garden: Garden, caller: Caller) -> None:
    doors = Doors(frozenset({"127.0.0.1:8473"}), 8473, lambda code: None)

    async def nothing(scope: object, receive: object, send: object) -> None:
        raise AssertionError("not reached")

    client = TestClient(Gate(nothing, doors), base_url=ORIGIN)
    answer = client.get(f"/?key={doors.link_key}", follow_redirects=False)
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/gate.py",
        "/static//etc/passwd",
        "/tile/1-../../../etc/passwd",
        "/tile/../../weedset.toml",
        "/around/1-0000000000000000-9.jpg",
        "/tile/-1-0000000000000000.jpg",
        "/tile/99999999999999999999-0000000000000000.jpg",
    ],
)
def test_no_address_opens_a_file(caller: Caller, path: str) -> None:
    answer = caller.client.get(path)
    assert answer.status_code in (404, 400)
    assert b"import" not in answer.content
    assert b"root:" not in answer.content


def test_a_tile_needs_the_digest_of_its_photo(caller: Caller) -> None:
    cell = caller.cells()[0]
    answer = caller.client.get(str(cell["url"]))
    assert answer.headers["content-type"] == "image/jpeg"
    assert "immutable" in answer.headers["cache-control"]
    assert caller.client.get(f"/tile/{cell['id']}-{'0' * 16}.jpg").status_code == 404


@pytest.mark.parametrize(
    "body",
    [
        b"", b"[]", b"{", b"null", b"\xff\xfe", b'{"who": 1}', b'{"who": "me"}', b"[" * 5000,
        b'{"who": "me\\u0000", "way": "own", "items": [], "accepted": false}',
        b'{"who": "me", "way": "other", "items": [], "accepted": false}',
        b'{"who": "me", "way": "own", "items": [], "accepted": false}',
        b'{"who": "me", "way": "own", "items": [{"id": 1e400}], "accepted": false}',
    ],
)  # fmt: skip
def test_malformed_requests_are_answered_in_words(caller: Caller, body: bytes) -> None:
    answer = caller.client.post("/api/label", content=body, headers={"origin": ORIGIN})
    assert answer.status_code == 400
    assert answer.json()["what"]


@pytest.mark.parametrize(
    "said",
    [
        {**BARE, "verdict": "withdrawn"},
        {**BARE, "present": ["CHEAL"]},
        {**BARE, "unknown_plant": True},
        {**BARE, "verdict": "plants"},
        {**BARE, "verdict": "plants", "present": ["NOSUCH"]},
        {**BARE, "verdict": "plants", "present": ["CHEAL", "cheal"]},
        {**BARE, "verdict": "plants", "present": ["CHEAL"], "stages": {"CHEAL": 10}},
        {**BARE, "verdict": "plants", "present": ["CHEAL"], "stages": {"DAUCS": 1}},
        {**BARE, "verdict": "plants", "present": ["CHEAL"], "doubtful": ["CHEAL"]},
        {**BARE, "more": 1},
        {"verdict": "bare"},
        "bare",
        [],
    ],
)
def test_statements_that_make_no_sense_are_refused(
    caller: Caller, garden: Garden, said: object
) -> None:
    caller.label((garden.ids[0], said, 0), status=400)
    assert len(caller.cells()) == len(garden.ids)
