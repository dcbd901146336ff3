"""The addresses of the page: what is shown, and what can be changed."""

from __future__ import annotations

import json
import os
from collections.abc import Awaitable, Callable, Mapping
from typing import cast

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from strobewise.errors import StrobewiseError, UsageError
from strobewise.files.plain_data import Json
from strobewise.files.writing import own_folder
from strobewise_cli.page_server.desk import Desk
from strobewise_cli.page_server.guard import Guard
from strobewise_cli.render.bench_html import render_bench
from strobewise_cli.render.html_report import asset
from strobewise_cli.terminal import sentence

LARGEST = 512 << 20  #: bytes of a capture that is taken
TOLD_BYTES = 16 << 10  #: bytes of what a form says
SHEET_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
ASSETS = {
    "page.css": "text/css", "bench.css": "text/css", "bench.js": "text/javascript", "viewer.js": "text/javascript",
    "vendor/d3.min.js": "text/javascript",
}  # fmt: skip

Endpoint = Callable[[Request], Awaitable[Response]]


def make_app(desk: Desk, port: int, key: str, token: str, largest: int = LARGEST) -> Starlette:
    """Return the application. key: what opens the page; token: what the page shows with every change."""

    async def page(_: Request) -> Response:
        return HTMLResponse(await run_in_threadpool(lambda: render_bench(desk.view(), desk.beginning, token)))

    async def version(_: Request) -> Response:
        return JSONResponse({"version": desk.version})

    async def sheet(_: Request) -> Response:
        return HTMLResponse(await run_in_threadpool(_sheet, desk), headers={"content-security-policy": SHEET_POLICY})

    async def file(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in ASSETS:
            return Response("", 404)
        return Response(str(asset(name)), media_type=ASSETS[name])

    async def upload(request: Request) -> Response:
        return await _upload(request, desk, largest)

    def change(do: Callable[[Mapping[str, Json]], None]) -> Endpoint:
        async def endpoint(request: Request) -> Response:
            told = await _told(request)
            await run_in_threadpool(do, told)
            return JSONResponse({"version": desk.version})

        return endpoint

    routes = [
        Route("/", page), Route("/version", version), Route("/sheet", sheet), Route("/files/{name:path}", file),
        Route("/captures", upload, methods=["PUT"]), Route("/case", change(desk.begin), methods=["POST"]),
        Route("/answers", change(desk.answer), methods=["POST"]), Route("/withdrawals", change(desk.withdraw), methods=["POST"]),
        Route("/records", change(desk.record), methods=["POST"]), Route("/closing", change(desk.close), methods=["POST"]),
    ]  # fmt: skip
    guard = Middleware(Guard, port=port, key=key, token=token)
    return Starlette(routes=routes, middleware=[guard], exception_handlers={StrobewiseError: _told_wrong, OSError: _told_wrong})


async def _told_wrong(_: Request, error: Exception) -> Response:
    """Return what the user can mend as one line, as the command line says it."""
    return JSONResponse({"error": sentence(str(error))}, 422)


def _sheet(desk: Desk) -> str:
    from strobewise_cli.render.case_html import render_page

    state = desk.view().state
    if state is None:
        raise UsageError("there is no case yet", "the page", "begin one")
    return render_page(state)


async def _body(request: Request, most: int) -> bytes:
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > most:
            raise UsageError("that is too much text", "the page", "write less")
    return bytes(body)


async def _told(request: Request) -> Mapping[str, Json]:
    """Return what a form says, as plain data. Raises UsageError."""
    try:
        told = json.loads(await _body(request, TOLD_BYTES))
    except (ValueError, RecursionError):  # the latter: brackets within brackets
        told = None
    if not isinstance(told, dict):
        raise UsageError("this is no form of the page", "the page", "load it again")
    return cast("Mapping[str, Json]", told)


async def _upload(request: Request, desk: Desk, largest: int) -> Response:
    """Take a capture, as it comes, into a place of its own; it goes into the case when all of it is there."""
    told = request.query_params
    minutes = told.get("minutes", "").strip()
    try:
        minutes_on = float(minutes) if minutes else None
    except ValueError:
        raise UsageError(f"{minutes[:40]!r} is no number of minutes", "the page", "write it with digits") from None
    await run_in_threadpool(os.makedirs, desk.folder, exist_ok=True)
    with own_folder(os.fspath(desk.folder)) as folder:
        path = os.path.join(folder, _ending(told.get("name", "")))
        size = 0
        with open(path, "xb") as out:
            async for chunk in request.stream():
                size += len(chunk)
                if size > largest:
                    what = f"the capture has more than {largest >> 20} MB"
                    raise UsageError(what, "the page", "capture for a shorter time, or pack it (.gz)")
                await run_in_threadpool(out.write, chunk)
        name, planned, note = told.get("name", ""), told.get("planned") == "1", told.get("note", "")
        await run_in_threadpool(desk.add, path, name, planned, note, minutes_on)
    return JSONResponse({"version": desk.version})


def _ending(name: str) -> str:
    """Return a name of our own with the ending that tells what kind of capture it is."""
    from strobewise.archive.folder import ENDINGS

    low = name.lower()
    return "capture" + next((ending for ending in sorted(ENDINGS, key=len, reverse=True) if low.endswith(ending)), "")
