"""The desk as a web application: addresses to calls of `Desk`, answers as JSON.

No path in an address reaches the disk.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from pipeline.desk.cuts import Cut
from pipeline.desk.desk import Desk, Stale, Unknown
from pipeline.desk.guards import Guards
from pipeline.desk.posts import AnswerPost, AxisPost, MarkPost, Post, ReadAgainPost, checked_name
from pipeline.desk.work import KINDS
from pipeline.errors import OpercleError

_PAGE = Path(__file__).with_name("page")
_FILES = {
    "/": ("desk.html", "text/html; charset=utf-8"),
    "/desk.css": ("desk.css", "text/css; charset=utf-8"),
    **{
        f"/{name}.js": (f"{name}.js", "text/javascript; charset=utf-8")
        for name in ("axis", "bone", "desk", "hands", "ink", "keys", "marking", "panel", "picture", "server", "words")
    },
}
"""Address to file: a fixed list, so that no address can name another file."""

AnyPost = TypeVar("AnyPost", bound=Post)
Answer = Callable[[Request], Awaitable[Response]]


def desk_app(desk: Desk, hosts: frozenset[str], token: str = "") -> Guards:
    """The application for one desk, behind its guards; `hosts` and `token` as in `Guards`."""
    routes = [Route(address, _file(name, kind)) for address, (name, kind) in _FILES.items()]
    routes += [
        Route("/favicon.ico", _nothing),
        Route("/api/run", _answering(lambda r: _run(desk))),
        Route("/api/work", _answering(lambda r: _work(desk, r))),
        Route("/api/find", _answering(lambda r: list(desk.find(r.query_params.get("text", ""))))),
        Route("/api/bone", _answering(lambda r: _bone(desk, r))),
        Route("/api/mark", _taking(MarkPost, desk.mark), methods=["POST"]),
        Route("/api/answer", _taking(AnswerPost, desk.answer), methods=["POST"]),
        Route("/api/axis", _taking(AxisPost, desk.correct), methods=["POST"]),
        Route("/api/read-again", _taking(ReadAgainPost, desk.read_again), methods=["POST"]),
        Route("/picture/stored", _picture(desk.stored)),
        Route("/picture/full", _picture(desk.full)),
        Route("/readings.csv", _table(lambda r: desk.readings_table(_reader(r)), "readings.csv")),
        Route("/corrections.csv", _table(lambda r: desk.corrections_table(), "corrections.csv")),
    ]
    return Guards(Starlette(routes=routes), hosts, token)


# ------------------------------------------------------------------------------------------------ what is asked
def _run(desk: Desk) -> dict[str, Any]:
    return {
        "name": desk.run.resolve().name, "kinds": KINDS, "busy": desk.follower.busy, "fault": desk.follower.fault,
    }  # fmt: skip


def _work(desk: Desk, request: Request) -> dict[str, Any]:
    wanted = request.query_params.get("kind", "queue")
    for kind in KINDS:
        if kind == wanted:
            found = desk.work(kind, _reader(request))
            return {"to_do": found.to_do, "done": found.done}
    raise ValueError(f"there is no list {wanted}")


def _bone(desk: Desk, request: Request) -> dict[str, Any]:
    second = request.query_params.get("with", "")
    if second:
        return desk.shown_jointly(_specimen(request), _reader(request), checked_name(second))
    return desk.shown(_specimen(request), _reader(request))


def _reader(request: Request) -> str:
    return checked_name(request.query_params.get("reader", ""))


def _specimen(request: Request) -> str:
    return str(request.query_params.get("specimen", ""))


# ------------------------------------------------------------------------------------------------ how it is answered
def _file(name: str, kind: str) -> Answer:
    content = (_PAGE / name).read_bytes()

    async def answer(_: Request) -> Response:
        return Response(content, media_type=kind)

    return answer


async def _nothing(_: Request) -> Response:
    return Response(status_code=204)


def _answering(call: Callable[[Request], Any]) -> Answer:
    async def answer(request: Request) -> Response:
        return await _answered(lambda: JSONResponse(call(request)))

    return answer


def _taking(kind: type[AnyPost], call: Callable[[AnyPost], Any]) -> Answer:
    async def answer(request: Request) -> Response:
        body = await request.body()
        return await _answered(lambda: JSONResponse(call(kind.model_validate_json(body))))

    return answer


def _picture(call: Callable[[str], Cut | None]) -> Answer:
    def made(request: Request) -> Response:
        cut = call(_specimen(request))
        if cut is None:
            raise Unknown("the scan is gone or has changed; the stored picture is shown")
        # The address bears the sign of the scan's bytes, so a picture once fetched need not be fetched again.
        place = {"x-left": str(cut.left), "x-top": str(cut.top), "x-scale": repr(cut.scale)}
        return Response(cut.jpeg, media_type="image/jpeg", headers=place | {"cache-control": "private, max-age=3600"})

    async def answer(request: Request) -> Response:
        return await _answered(lambda: made(request))

    return answer


def _table(call: Callable[[Request], str], name: str) -> Answer:
    attached = {"content-disposition": f'attachment; filename="{name}"'}

    async def answer(request: Request) -> Response:
        return await _answered(lambda: Response(call(request), media_type="text/csv", headers=attached))

    return answer


async def _answered(call: Callable[[], Response]) -> Response:
    """The call on a thread of its own; what it refuses as a line with the status that fits."""
    try:
        return await run_in_threadpool(call)
    except ValidationError as e:
        first = e.errors(include_url=False, include_context=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        return JSONResponse({"error": f"{where}: {first['msg']}" if where else first["msg"]}, 422)
    except ValueError as e:
        return JSONResponse({"error": str(e)}, 422)
    except Unknown as e:
        return JSONResponse({"error": str(e)}, 404)
    except Stale as e:
        return JSONResponse({"error": str(e)}, 409)
    except OpercleError as e:
        return JSONResponse({"error": str(e)}, 503)
