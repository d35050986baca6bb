"""Who may talk to the desk (WHATWG Fetch, W3C CSP 3, RFC 9110, RFC 6265): nobody but its page."""

from __future__ import annotations

import http.client
import socket
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from email.message import Message

import httpx
import pytest
from desked import Opened, opened_desk, small_film

from gradeprep.review.desk import access
from gradeprep.review.desk.app import HOST, listen
from gradeprep.review.desk.routes import PAGE, ROUTES


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    with opened_desk(small_film(tmp_path_factory.mktemp("film"), frames=1)) as opened:
        yield opened


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Message
    body: bytes


def raw(desk: Opened, method: str, path: str, **headers: str) -> Answer:
    """A request as it is written: the path is not tidied, and only these headers are sent."""
    with closing(http.client.HTTPConnection(desk.key.authority)) as connection:
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in headers.items():
            connection.putheader(name.replace("_", "-"), value)
        connection.endheaders()
        with connection.getresponse() as answer:
            return Answer(answer.status, answer.headers, answer.read())


def passing(desk: Opened) -> dict[str, str]:
    return {
        "Host": desk.key.authority,
        "Cookie": f"{desk.key.cookie}={desk.key.token}",
        "Origin": f"http://{desk.key.authority}",
    }


def test_a_page_of_its_own_may_come_in(desk: Opened) -> None:
    assert raw(desk, "GET", "/api/recipe", **passing(desk)).status == 200
    assert raw(desk, "GET", "/", **passing(desk)).status == 200


@pytest.mark.parametrize(
    "host", ["localhost", "evil.example", "evil.example:{port}", "{host}", "127.0.0.2:{port}", ""]
)
def test_a_forged_host_is_refused(desk: Opened, host: str) -> None:
    port = desk.key.authority.partition(":")[2]
    told = host.format(port=port, host=HOST)
    answer = raw(desk, "GET", "/api/recipe", **passing(desk) | {"Host": told})
    assert answer.status == 403


def test_two_hosts_are_refused(desk: Opened) -> None:
    answer = raw(desk, "GET", "/api/recipe", **passing(desk), host="evil.example")
    assert answer.status in (400, 403)


@pytest.mark.parametrize("cookie", ["", "{name}=", "{name}=wrong", "other={token}", "{name}=é"])
@pytest.mark.parametrize("path", ["/", "/page/desk.js", "/api/recipe", "/nothing"])
def test_without_the_token_nothing_is_told(desk: Opened, path: str, cookie: str) -> None:
    told = cookie.format(name=desk.key.cookie, token=desk.key.token)
    answer = raw(desk, "GET", path, **passing(desk) | {"Cookie": told})
    assert answer.status == 403
    assert b"token" in answer.body


def test_a_wrong_token_in_the_address_is_refused(desk: Opened) -> None:
    for told in ("wrong", "", desk.key.token[:-1]):
        assert raw(desk, "GET", f"/?token={told}", Host=desk.key.authority).status == 403


def test_the_token_becomes_a_cookie_that_scripts_and_other_sites_do_not_get(desk: Opened) -> None:
    answer = raw(desk, "GET", f"/?token={desk.key.token}", Host=desk.key.authority)
    cookie = answer.headers["Set-Cookie"]
    assert cookie.startswith(f"{desk.key.cookie}={desk.key.token};")
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert desk.key.token not in answer.body.decode()


def test_a_ticket_opens_once(desk: Opened) -> None:
    path = desk.key.once().removeprefix(f"http://{desk.key.authority}")
    assert [raw(desk, "GET", path, Host=desk.key.authority).status for _ in "12"] == [200, 403]


@pytest.mark.parametrize(
    "origin", ["", "null", "http://evil.example", "https://{own}", "http://{own}.evil.example"]
)
def test_what_changes_something_must_come_from_the_own_page(desk: Opened, origin: str) -> None:
    told = passing(desk) | {"Origin": origin.format(own=desk.key.authority)}
    if not origin:
        del told["Origin"]
    for path in ("/api/save", "/api/undo", "/api/reload", "/api/run", "/api/stop", "/api/reading"):
        answer = raw(desk, "POST", path, **told, Content_Type="application/json")
        assert answer.status == 403


def test_a_request_that_the_browser_says_another_site_made_is_refused(desk: Opened) -> None:
    for site, status in (("cross-site", 403), ("same-site", 403), ("same-origin", 200)):
        told = passing(desk) | {"Sec_Fetch_Site": site}
        assert raw(desk, "GET", "/api/recipe", **told).status == status


def test_a_form_of_another_kind_is_not_taken_for_json(desk: Opened) -> None:
    answer = desk.client.post("/api/reload", content=b"{}", headers={"Content-Type": "text/plain"})
    assert answer.status_code == 422
    assert desk.client.post("/api/reload", json=[]).status_code == 422
    assert desk.client.post("/api/reload", json={}).status_code == 200


def test_a_huge_request_is_refused(desk: Opened) -> None:
    answer = desk.client.post("/api/reload", json={"a": "b" * 2**21})
    assert answer.status_code == 422
    assert "larger than 1024 KiB" in answer.json()["error"]


PATHS = ["../routes.py", "..%2froutes.py", "%2e%2e/routes.py", "..%5croutes.py", "/etc/passwd"]
PATHS += ["desk.js/../../routes.py", "%00", "desk.css%00.js", ".", "..", "", "no.js"]


@pytest.mark.parametrize("name", PATHS)
def test_a_name_of_a_file_leads_nowhere_but_the_page(desk: Opened, name: str) -> None:
    answer = raw(desk, "GET", f"/page/{name}", **passing(desk))
    assert answer.status == 404
    assert b"import" not in answer.body


@pytest.mark.parametrize("shot", ["../wall", "/etc/passwd", "wall/../door", "wall\0", "{shot}", ""])
def test_a_name_of_a_shot_leads_to_shots_of_the_recipe_only(desk: Opened, shot: str) -> None:
    for path in ("light", "picture", "overlay", "tones", "report"):
        told = {"shot": shot, "frame": 1, "side": 64, "kind": "clip", "display": "", "view": ""}
        answer = desk.get(f"/api/{path}", **told)
        assert answer.status_code == 404
        assert "the recipe has no shot" in answer.text
    assert desk.post("/api/run", shot=shot).status_code == 404


def test_a_meter_reads_no_file_that_the_page_names(desk: Opened) -> None:
    for meter in ("notes", "header"):
        answer = desk.post("/api/reading", shot="wall", meter=meter, params={"file": "/etc/passwd"})
        assert answer.status_code == 422
        assert "from the recipe, not from a page" in answer.json()["error"]


def test_methods_that_nobody_offers_are_refused(desk: Opened) -> None:
    for method, path in (("PUT", "/api/recipe"), ("DELETE", "/"), ("POST", "/api/light")):
        answer = raw(desk, method, path, **passing(desk), Content_Length="0")
        assert answer.status == 405
    assert raw(desk, "GET", "/api/save", **passing(desk)).status == 405
    assert raw(desk, "OPTIONS", "/api/save", Host=desk.key.authority).status == 403
    assert raw(desk, "GET", "/api/nothing", **passing(desk)).status == 404


def test_every_answer_keeps_a_page_to_itself(desk: Opened) -> None:
    for path in ("/", "/page/desk.js", "/api/recipe", "/api/nothing", "/?token=wrong"):
        answer = raw(desk, "GET", path, **passing(desk))
        assert answer.headers["Content-Security-Policy"] == access.CSP
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Cache-Control"] == "no-store"
        assert "Access-Control-Allow-Origin" not in answer.headers
    assert "default-src 'none'" in access.CSP
    assert "unsafe" not in access.CSP


def test_no_socket_but_the_loopback_is_opened(desk: Opened) -> None:
    listening = listen(0)
    try:
        assert listening.family == socket.AF_INET
        assert listening.getsockname()[0] == "127.0.0.1"
    finally:
        listening.close()


def test_a_web_socket_is_refused(desk: Opened) -> None:
    told = passing(desk) | {"Connection": "Upgrade", "Upgrade": "websocket"}
    assert raw(desk, "GET", "/api/nothing", **told).status == 404


def test_every_file_of_the_page_is_served_as_what_it_is(desk: Opened) -> None:
    kinds = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
    names = [path for path in PAGE.iterdir() if path.suffix in kinds]
    assert names
    for path in names:
        answer = desk.get(f"/page/{path.name}")
        assert answer.status_code == 200
        assert answer.headers["Content-Type"].startswith(kinds[path.suffix])
        assert answer.content == path.read_bytes()


def test_the_page_and_the_server_speak_of_the_same_paths() -> None:
    told = "".join(path.read_text("utf-8") for path in PAGE.glob("*.js"))
    offered = {route.path for route in ROUTES if route.path.startswith("/api/")}
    asked = {part.split('"')[0].split("?")[0] for part in told.split('"/api/')[1:]}
    assert asked
    assert {f"/api/{part}" for part in asked} <= offered


def test_the_token_is_in_no_error(desk: Opened) -> None:
    answer = httpx.get(f"http://{desk.key.authority}/api/recipe", trust_env=False)
    assert desk.key.token not in answer.text + str(answer.headers)
