"""Who is let in: this machine's own browser, by the address that the command printed, and for a change only the page itself.

A page of another site can make a browser send requests here, and can give its own name this machine's address; so the host that a request
names must be ours, its origin must be ours, and a change carries a token that only our page was given. Sources: WHATWG Fetch (Origin,
Sec-Fetch-Site), RFC 6265bis (SameSite), OWASP cheat sheet on cross-site request forgery; all from memory.
"""

from __future__ import annotations

import hmac

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

TOKEN_HEADER = "x-bench-token"  #: noqa: S105  # the name of the header, not a token
READING = ("GET", "HEAD")
PAGE_POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self' data:; form-action 'none'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": PAGE_POLICY, "x-content-type-options": "nosniff", "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin", "cross-origin-resource-policy": "same-origin", "cache-control": "no-store",
}  # fmt: skip


class Guard:
    """An ASGI application that lets requests through to another one, or refuses them."""

    def __init__(self, app: ASGIApp, port: int, key: str, token: str) -> None:
        self._app, self._key, self._token = app, key, token
        self._hosts = tuple(f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]"))
        self._cookie = f"bench-{port}"  # cookies do not know of ports: two benches must not lock each other out

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # no web sockets here: the server closes them

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        request = Request(scope)
        answer = self._greeted(request) or self._refused(request)
        await (self._app if answer is None else answer)(scope, receive, with_headers)

    def _greeted(self, request: Request) -> Response | None:
        """Return the answer to the address that the command printed: a cookie, and the page without the key in its address."""
        given = request.query_params.get("key", "")
        if request.method != "GET" or request.url.path != "/" or not given or not self._ours(request):
            return None
        if not _same(given, self._key):
            return None
        answer = RedirectResponse("/", 303)
        answer.set_cookie(self._cookie, self._key, httponly=True, samesite="strict")
        return answer

    def _ours(self, request: Request) -> bool:
        return request.headers.get("host", "").lower() in self._hosts

    def _refused(self, request: Request) -> Response | None:
        if not self._ours(request):
            return PlainTextResponse("This page is served to this machine alone, under its own name.\n", 421)
        if request.headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
            return PlainTextResponse("Other sites have no business here.\n", 403)
        if not _same(request.cookies.get(self._cookie, ""), self._key):
            return PlainTextResponse("Open the whole address that strobewise bench printed, with its key.\n", 403)
        if request.method in READING:
            return None
        if request.headers.get("origin", "").lower() not in {f"http://{host}" for host in self._hosts}:
            return PlainTextResponse("Changes come from the page itself.\n", 403)
        if not _same(request.headers.get(TOKEN_HEADER, ""), self._token):
            return PlainTextResponse("The page is out of date: load it again.\n", 403)
        return None


def _same(given: str, wanted: str) -> bool:
    return hmac.compare_digest(given.encode(), wanted.encode())
