"""Who may talk to the desk: pages that it served itself, on this machine, with its token.

The server listens on the loopback only, and that is not enough: any page in the same browser could
send requests there, under any name that leads to the loopback. So each request must name the
desk's own address as its host, carry the token in a cookie that no other site's page can send, and,
where it changes anything, come from the desk's own page (``Origin``; WHATWG Fetch).
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["CSP", "Guard", "Pass"]

CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
    "connect-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
)
"""What a page of the desk may load and do (W3C Content Security Policy 3)."""

_HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": CSP,
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}

# A page that goes on by itself instead of a redirect: where the address was opened from another
# site's page, browsers keep a strict cookie from the request that a redirect leads to.
_ENTER = (
    '<!doctype html><meta http-equiv="refresh" content="0; url=/"><title>gradeprep</title>'
    '<link rel="icon" href="/page/mark.svg" type="image/svg+xml">'
)

_ASK = "open the address that gradeprep desk printed"


@dataclass
class Pass:
    """What opens a desk.

    Attributes:
        authority: Host and port that the desk is reached at.
        token: The secret of this desk; it ends with its process.
        tickets: Secrets that open it once. What a browser is started with can be read by other
            users of the machine, so it is given one of these.
    """

    authority: str
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    tickets: set[str] = field(default_factory=set)

    @property
    def cookie(self) -> str:
        """Name of the cookie; cookies know no ports, and two desks may be open."""
        return f"gradeprep_desk_{self.authority.rpartition(':')[2]}"

    @property
    def address(self) -> str:
        """Where a page is opened."""
        return f"http://{self.authority}/?token={self.token}"

    def once(self) -> str:
        """An address that opens a page once."""
        ticket = secrets.token_urlsafe(32)
        self.tickets.add(ticket)
        return f"http://{self.authority}/?token={ticket}"

    def opens(self, text: str) -> bool:
        """Whether a secret is ours; a ticket is used up by it."""
        if secrets.compare_digest(text.encode(), self.token.encode()):
            return True
        if text in self.tickets:
            self.tickets.discard(text)
            return True
        return False


class Guard:
    """ASGI middleware that lets through what may talk to the desk.

    Refusals are 403 and one plain line. Every answer gets the headers that keep a page to itself.
    """

    def __init__(self, app: ASGIApp, *, key: Pass) -> None:
        self.app = app
        self.key = key

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        answer = self._answer(scope)
        await (answer or self.app)(scope, receive, dressed)

    def _answer(self, scope: Scope) -> Response | None:
        """What is said at the door; None where the request may come in."""
        headers = Headers(scope=scope)
        if headers.getlist("host") != [self.key.authority]:
            return _refused(f"this desk is {self.key.authority}, not what the request calls it")
        found = parse_qs(scope["query_string"].decode("latin-1")).get("token")
        if scope["path"] == "/" and scope["method"] == "GET" and found:
            return self._entered(found[0])
        if not self._has_cookie(headers):
            return _refused(f"no token; {_ASK}")
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return _refused("another site's page asked")
        if scope["method"] not in ("GET", "HEAD") and not self._own(headers):
            return _refused("the request does not come from this desk's own page")
        return None

    def _entered(self, text: str) -> Response:
        if not self.key.opens(text):
            return _refused(f"the token is wrong, or was used; {_ASK}")
        page = HTMLResponse(_ENTER)
        page.set_cookie(self.key.cookie, self.key.token, httponly=True, samesite="strict", path="/")
        return page

    def _has_cookie(self, headers: Headers) -> bool:
        found = cookie_parser("; ".join(headers.getlist("cookie"))).get(self.key.cookie, "")
        return secrets.compare_digest(found.encode(), self.key.token.encode())

    def _own(self, headers: Headers) -> bool:
        return headers.getlist("origin") == [f"http://{self.key.authority}"]


def _refused(why: str) -> Response:
    return PlainTextResponse(f"{why}\n", status_code=403)
