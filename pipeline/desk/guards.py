"""What a request must be before the desk looks at it: for this host, from this page, small, and with the token if there
is one.

Without these, any page that the reader has open in another tab could read and write here: a name that its owner points
to 127.0.0.1 defeats the browser's own rules unless the Host header is checked first.
"""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_BODY_BYTES = 16_384
"""Of a request: an answer with a long note is a tenth of it."""
MOST_URL_BYTES = 4_096
TOKEN_COOKIE = "opercle_desk"

POLICY = (
    "default-src 'none'; img-src 'self' blob:; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}


class Guards:
    """Around the application: refuses what it must, and puts the protecting headers on every answer."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str], token: str = "") -> None:
        """`hosts` are the values of the Host header that are served, with port; `token` what every request must bear,
        blank when the desk is bound to this machine alone."""
        self._app = app
        self._hosts = hosts
        self._token = token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve or refuse one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        refusal = self._refusal(scope)
        if refusal is not None:
            await refusal(scope, receive, _with_headers(send))
            return
        await self._app(scope, _bounded(receive), _with_headers(send))

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if headers.get("host", "").lower() not in self._hosts:
            return PlainTextResponse("this desk does not serve that host name", 421)
        if len(scope.get("raw_path") or b"") + len(scope["query_string"]) > MOST_URL_BYTES:
            return PlainTextResponse("the address is too long", 414)
        if self._token and not self._bears_token(scope, headers):
            return self._let_in(scope) or PlainTextResponse("open the address that the desk printed", 403)
        if scope["method"] not in ("GET", "HEAD"):
            if not _from_this_page(headers):
                return PlainTextResponse("only the desk's own page may write", 403)
            if headers.get("content-type", "").split(";")[0].strip() != "application/json":
                return PlainTextResponse("only JSON is taken", 415)
            if not headers.get("content-length", "").isdigit():
                return PlainTextResponse("the length is missing", 411)
            if int(headers["content-length"]) > MOST_BODY_BYTES:
                return PlainTextResponse("the request is too long", 413)
        return None

    def _bears_token(self, scope: Scope, headers: Headers) -> bool:
        try:
            cookie = SimpleCookie(headers.get("cookie", "")).get(TOKEN_COOKIE)
        except CookieError:
            return False
        return cookie is not None and hmac.compare_digest(cookie.value.encode(), self._token.encode())

    def _let_in(self, scope: Scope) -> Response | None:
        """The first visit bears the token in the address; from then on a cookie does."""
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if scope["path"] != "/" or not hmac.compare_digest(given.encode(), self._token.encode()):
            return None
        response = RedirectResponse("/", 303)
        response.set_cookie(TOKEN_COOKIE, self._token, httponly=True, samesite="strict")
        return response


def _from_this_page(headers: Headers) -> bool:
    """Whether a post comes from a page of the same origin; a page of another port of this machine is refused."""
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site == "same-origin"
    origin = headers.get("origin")
    return origin is not None and urlsplit(origin).netloc.lower() == headers.get("host", "").lower()


def _bounded(receive: Receive) -> Receive:
    """The same, but a body that goes on beyond the limit ends the connection."""
    read = 0

    async def bounded() -> Message:
        nonlocal read
        message = await receive()
        if message["type"] == "http.request":
            read += len(message.get("body", b""))
            if read > MOST_BODY_BYTES:
                return {"type": "http.disconnect"}
        return message

    return bounded


def _with_headers(send: Send) -> Callable[[Message], Awaitable[None]]:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers[name] = value
            headers.setdefault("cache-control", "no-store")
        await send(message)

    return sending
