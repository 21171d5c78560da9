"""What the server answers. Every failure is one JSON line: {"error": cause and mend}."""

from __future__ import annotations

import asyncio
import contextlib
import json
import traceback
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from lanes import __version__
from lanes.errors import InputError, LanesError, one_line
from lanes.page.asking import Asking
from lanes.page.document import Document, StaleEdit
from lanes.page.forms import FORMS
from lanes.page.gate import ANSWER_POLICY
from lanes.page.pictures import photo_jpeg, squared_jpeg
from lanes.page.present import reading_values, state
from lanes.page.saving import save, saved_reading
from lanes.page.sheet import xlsx
from lanes.page.shelf import Shelf, plain_name
from lanes.page.worker import Worker

LARGEST = 100_000_000   # bytes of a picture
LARGEST_EDIT = 200_000  # bytes of an edit or a form
LOOK_S = 0.03           # between two looks for news: shorter than an eye sees
WAIT_S = 20.0           # how long a page's question for news is held
STATIC = Path(__file__).parent / "static"
KINDS = {".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8",
         ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}

Handler = Callable[[Request], Awaitable[Response]]


class TooLarge(Exception):
    """What was sent is larger than what is taken."""


def application(shelf: Shelf) -> Starlette:
    """Return the server's application, without the gate before it."""
    api = Api(shelf)
    one = "/api/plates/{plate}"
    routes = [
        ("/", "GET", api.index),
        ("/static/{name}", "GET", api.static),
        ("/api/plates", "GET", api.listing),
        ("/api/plates", "POST", api.upload),
        ("/api/open", "POST", api.reopen),
        (one, "GET", api.news),
        (f"{one}/close", "POST", api.close),
        (f"{one}/reading", "GET", api.reading),
        (f"{one}/photo.jpg", "GET", api.photo),
        (f"{one}/squared.jpg", "GET", api.squared),
        (f"{one}/spots.xlsx", "GET", api.workbook),
        (f"{one}/edit", "POST", api.edit),
        (f"{one}/stop", "POST", api.stop),
        (f"{one}/save", "POST", api.save),
        (f"{one}/ask", "POST", api.ask),
        (f"{one}/answers/{{number:int}}/stop", "POST", api.stop_question),
        (f"{one}/answers/{{number:int}}/{{file}}", "GET", api.answer),
        (f"{one}/saved/{{file}}", "GET", api.saved),
    ]

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        yield
        api.asking.close()
        shelf.close_all()

    app = Starlette(
        routes=[Route(path, _guarded(handler), methods=[method])
                for path, method, handler in routes],
        exception_handlers={404: _not_found, 405: _not_found}, lifespan=lifespan,
    )
    app.state.ending = False
    return app


def _guarded(handler: Handler) -> Handler:
    """Return `handler` with every failure as one line."""

    async def guarded(request: Request) -> Response:
        try:
            return await handler(request)
        except StaleEdit:
            return _error(409, "the plate was changed in another window: this one now shows it; "
                          "make the change again")
        except TooLarge as error:
            return _error(413, str(error))
        except LanesError as error:
            return _error(400, str(error))
        except KeyError:
            return _error(404, "that plate is not open: open it again from the first page")
        except ClientDisconnect:
            return Response(status_code=400)
        except MemoryError:
            return _error(507, "not enough memory for this picture: scan at fewer dots per inch")
        except OSError as error:
            return _error(507, f"the disk refuses: {error.strerror or error}; make room and try "
                          "again")
        except Exception:  # a defect: the page stays usable, and the traceback is on the terminal
            traceback.print_exc()
            return _error(500, "the program broke off on this: undo the last change, or report "
                          "what the terminal shows")

    return guarded


def _error(status: int, line: str) -> JSONResponse:
    return JSONResponse({"error": one_line(line)}, status)


async def _not_found(request: Request, _: Exception) -> Response:
    return _error(404, "there is nothing at this address: go back to the first page")


class Api:
    """The handlers, over one shelf of documents."""

    def __init__(self, shelf: Shelf) -> None:
        self.shelf, self.asking = shelf, Asking()
        # Only what was in the folder at the start is ever served: no name leads out of it.
        self._static = {path.name: path for path in STATIC.iterdir() if path.suffix in KINDS}

    def _at(self, request: Request) -> tuple[Document, Worker]:
        return self.shelf.open[request.path_params["plate"]]

    async def index(self, _: Request) -> Response:
        """The page itself."""
        return self._file("index.html")

    async def static(self, request: Request) -> Response:
        """A file of the page."""
        return self._file(request.path_params["name"])

    def _file(self, name: str) -> Response:
        path = self._static.get(name)
        if path is None:
            return _error(404, "the page has no such file")
        return Response(path.read_bytes(), media_type=KINDS[path.suffix])

    async def listing(self, _: Request) -> Response:
        """Open plates, drafts, saved readings, and the questions' forms."""
        forms = [{"question": form.question, "title": form.title,
                  "fields": [{"key": f.key, "label": f.label, "kind": f.kind, "hint": f.hint,
                              "needed": f.needed, "start": f.start} for f in form.fields]}
                 for form in FORMS]
        listing = await run_in_threadpool(self.shelf.listing)
        return JSONResponse({**listing, "forms": forms, "version": __version__})

    async def upload(self, request: Request) -> Response:
        """A picture as the request's body, its name in the address."""
        line = (f"the picture is larger than {LARGEST // 1_000_000} MB, more than any scan of a "
                "plate: crop it to the plate")
        if _whole(request.headers.get("content-length") or 0) > LARGEST:
            raise TooLarge(line)
        name = plain_name(request.query_params.get("name", ""))
        with self.shelf.drafts.incoming(name) as arrived:
            size = 0
            with open(arrived, "wb") as out:
                async for chunk in request.stream():
                    size += len(chunk)
                    if size > LARGEST:
                        raise TooLarge(line)
                    out.write(chunk)
            document = await run_in_threadpool(self.shelf.take, arrived)
        return JSONResponse({"id": document.id})

    async def reopen(self, request: Request) -> Response:
        """Open a draft by its id, or a saved reading by its folder's name."""
        values = await _values(request)
        if "draft" in values:
            document = await run_in_threadpool(self.shelf.restore, str(values["draft"]))
        else:
            name = str(values.get("saved", ""))
            if name not in self.shelf.listing()["saved"]:
                raise InputError(f"there is no saved reading {name!r} in {self.shelf.home}")
            document = await run_in_threadpool(self.shelf.take_file, self.shelf.home / name)
        return JSONResponse({"id": document.id})

    async def close(self, request: Request) -> Response:
        """Close a plate, and discard its draft where asked."""
        values = await _values(request)
        document, _ = self._at(request)
        for answer in document.answers:
            self.asking.stop(document, answer.number)
        await run_in_threadpool(self.shelf.close, document.id, values.get("discard") is True)
        return JSONResponse({})

    async def news(self, request: Request) -> Response:
        """The document's state, held back until it is newer than the stamp given."""
        document, _ = self._at(request)
        after = _whole(request.query_params.get("after", "0"))
        end = asyncio.get_running_loop().time() + WAIT_S
        while document.stamp <= after and asyncio.get_running_loop().time() < end:
            gone = await request.is_disconnected() or document.id not in self.shelf.open
            if gone or request.app.state.ending:
                break
            await asyncio.sleep(LOOK_S)
        return JSONResponse(state(document))

    async def reading(self, request: Request) -> Response:
        """The last reading with its traces; null where there is none."""
        document, _ = self._at(request)
        outcome, stamp = document.outcome, document.reading_stamp
        reading = None if outcome is None else outcome.reading
        values = None if reading is None else await run_in_threadpool(reading_values, reading)
        return JSONResponse({"stamp": stamp, "reading": values})

    async def photo(self, request: Request) -> Response:
        """The picture as photographed; how far it is reduced is in a header."""
        document, _ = self._at(request)

        def work() -> tuple[bytes, int, int, int]:
            scan = document.reader.scan(document.settings)
            return (*photo_jpeg(scan), scan.width_px, scan.height_px)

        data, reduce, width, height = await run_in_threadpool(work)
        return Response(data, media_type="image/jpeg", headers={
            "x-picture": f"{reduce} {width} {height}"})

    async def squared(self, request: Request) -> Response:
        """The plate squared up."""
        document, _ = self._at(request)
        layout = document.layout
        if layout is None:
            raise InputError("the plate is not found yet: place its four corners first")

        def work() -> bytes:
            return squared_jpeg(document.reader.scan(document.settings), layout)

        return Response(await run_in_threadpool(work), media_type="image/jpeg")

    async def workbook(self, request: Request) -> Response:
        """The table of spots as .xlsx."""
        document, _ = self._at(request)
        if document.outcome is None or document.outcome.reading is None:
            raise InputError("the plate is not read yet: place what is missing first")
        data = await run_in_threadpool(xlsx, document.outcome.reading)
        kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
        return Response(data, media_type=kind, headers={
            "content-disposition": 'attachment; filename="spots.xlsx"'})

    async def edit(self, request: Request) -> Response:
        """One edit on a known revision."""
        document, worker = self._at(request)
        values = await _values(request)
        edit = values.get("edit")
        if not isinstance(edit, dict):
            raise InputError("the edit is missing: load the page again")
        await run_in_threadpool(document.edit, _whole(values.get("revision")), edit)
        worker.ask()
        return JSONResponse({"revision": document.revision})

    async def stop(self, request: Request) -> Response:
        """Stop the reading under way; with again, start it once more."""
        document, worker = self._at(request)
        values = await _values(request)
        if values.get("again") is True:
            document.stopped = False
            worker.ask()
        else:
            worker.stop()
        return JSONResponse({})

    async def save(self, request: Request) -> Response:
        """Save the reading as a folder."""
        document, _ = self._at(request)
        values = await _values(request)
        path = await run_in_threadpool(save, document, str(values.get("name", "")),
                                       values.get("replace") is True)
        return JSONResponse({"folder": path})

    async def ask(self, request: Request) -> Response:
        """Put a question; its answer comes with the news."""
        document, _ = self._at(request)
        values = await _values(request)
        entries = values.get("entries")
        if not isinstance(entries, dict):
            raise InputError("the form is missing: load the page again")
        others = {other.draft.record.file: str(other.draft.source)
                  for other, _ in self.shelf.open.values() if other is not document}
        answer = await run_in_threadpool(
            self.asking.ask, document, str(values.get("question")), entries, others)
        return JSONResponse({"number": answer.number})

    async def stop_question(self, request: Request) -> Response:
        """Stop a question that is under way."""
        document, _ = self._at(request)
        self.asking.stop(document, request.path_params["number"])
        return JSONResponse({})

    async def answer(self, request: Request) -> Response:
        """A file of an answer's folder."""
        document, _ = self._at(request)
        number, file = request.path_params["number"], request.path_params["file"]
        for answer in document.answers:
            if answer.number == number and file in answer.files:
                return _foreign(answer.files[file])
        return _error(404, "there is no such answer: ask again")

    async def saved(self, request: Request) -> Response:
        """A file of the folder last saved."""
        document, _ = self._at(request)
        if document.draft.record.saved is not None:
            folder = Path(document.draft.record.saved)
            saved_reading(folder)
            for path in folder.iterdir():
                if path.name == request.path_params["file"] and path.is_file():
                    return _foreign(path)
        return _error(404, "the reading has no such file: save it first")


def _foreign(path: Path) -> Response:
    """Return a page that this program wrote, under the policy of a page without scripts."""
    return FileResponse(path, headers={"content-security-policy": ANSWER_POLICY})


async def _values(request: Request) -> dict[str, Any]:
    """Return the request's JSON object."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > LARGEST_EDIT:
            raise TooLarge("the request is larger than any edit")
    try:
        values = json.loads(body or b"{}")
    except ValueError:
        values = None
    if not isinstance(values, dict):
        raise InputError("the request is no JSON object: load the page again")
    return values


def _whole(value: object) -> int:
    try:
        return int(value)  # type: ignore[call-overload, no-any-return]
    except (TypeError, ValueError, OverflowError):
        raise InputError(f"{value!r} is no whole number") from None
