"""The routes of the page: forms in, the same commands' files and sentences out."""

from __future__ import annotations

import asyncio
import contextlib
import json
import tempfile
import zipfile
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from starlette.applications import Starlette
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException, MultiPartParser
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from sleepagree.errors import Front, InputError, SleepAgreeError
from sleepagree.page import views
from sleepagree.page.folder import stored_name, stored_paths
from sleepagree.page.jobs import SHOWN
from sleepagree.page.questions import Given, Look
from sleepagree.page.remembered import Remembered, of_its_kind
from sleepagree.page.works import CORRECTION, MOST_FILES, MOST_NIGHTS, RESERVED, Work, WorkKind
from sleepagree.readers.layout import Layout, read_layout

#: Works of one run; what is beyond is refused with a message, as are files beyond :data:`MOST_FILES`.
MOST_WORKS: Final = 100
_MOST_FIELDS: Final = 12 * MOST_NIGHTS + 12
_TELL_EVERY_S: Final = 0.4


@dataclass
class Desk:
    """Everything that is worked on in one run of the page.

    Parameters
    ----------
    folder : Path
        The private folder.
    layouts : Remembered
        How files were read before.
    """

    folder: Path
    layouts: Remembered
    works: dict[str, Work] = field(default_factory=dict)

    @property
    def busy(self) -> bool:
        """Whether a command runs."""
        return any(work.running for work in self.works.values())

    def begin(self, kind: WorkKind) -> Work:
        """Return a new work with a folder of its own."""
        if len(self.works) >= MOST_WORKS:
            remedy = "End the page with Ctrl-C and start it again."
            raise InputError(f"{MOST_WORKS} nights and studies were begun already", remedy=remedy)
        work = Work(kind, self.folder)
        work.folder = self.folder / work.name
        work.folder.mkdir()
        self.works[work.name] = work
        return work

    def of(self, request: Request) -> Work:
        """Return the work that a request names."""
        work = self.works.get(request.path_params["work"])
        if work is None:
            raise HTTPException(404)
        return work

    def kill(self) -> None:
        """End every command that runs."""
        for work in self.works.values():
            if work.job is not None:
                work.job.kill()

    def known(self, look: Look) -> Layout | None:
        """Return how a file with the same columns was read before, None where that is how this one is read."""
        layout = self.layouts.find(name for name, _ in look.columns)
        return None if layout == of_its_kind(look.layout or Layout()) else layout

    def remember(self, work: Work) -> None:
        """Keep how the tables of a work are read."""
        for look in work.looks.values():
            if look.columns and look.layout is not None:
                self.layouts.keep((name for name, _ in look.columns), look.layout)


class _Upload(UploadFile):
    """A file that is written once, where it stays; open only while it arrives, as a process may not hold hundreds."""

    async def write(self, data: bytes) -> None:
        self.file.write(data)

    async def seek(self, offset: int) -> None:  # noqa: ARG002 - called when it has arrived whole
        self.file.close()


class _TooManyFiles(MultiPartException):
    """A form has more files than the page takes."""


class _Parser(MultiPartParser):
    """Takes the files of a form straight to a folder."""

    def __init__(self, request: Request, folder: str) -> None:
        super().__init__(request.headers, request.stream(), max_files=MOST_FILES, max_fields=_MOST_FIELDS)
        self._folder = folder

    def on_headers_finished(self) -> None:
        try:
            super().on_headers_finished()
        except MultiPartException as error:
            raise _TooManyFiles(error.message) if self._current_files > self.max_files else error from None
        if (spooled := self._current_part.file) is not None:
            file: Any = tempfile.NamedTemporaryFile(dir=self._folder, delete=False)  # noqa: SIM115 - see _Upload
            self._files_to_close_on_error.append(file)
            self._current_part.file = _Upload(file, filename=spooled.filename)


def make_app(desk: Desk) -> Starlette:
    """Return the page as an ASGI application; who may ask is for :class:`~sleepagree.page.guard.Guard` to say."""
    pages = _Pages(desk)
    return Starlette(
        routes=[
            Route("/", pages.start),
            Route("/page.css", pages.style),
            Route("/page.js", pages.script),
            Route("/begin/{kind}", pages.begin, methods=["POST"]),
            Route("/forget", pages.forget, methods=["POST"]),
            Route("/work/{work}", pages.show),
            Route("/work/{work}", pages.answer, methods=["POST"]),
            Route("/work/{work}/answer", pages.result),
            Route("/work/{work}/stop", pages.stop, methods=["POST"]),
            Route("/work/{work}/progress", pages.progress),
            Route("/work/{work}/report", pages.report),
            Route("/work/{work}/keep/{file:path}", pages.keep),
            Route("/work/{work}/clock", pages.clock),
            Route("/work/{work}/clock", pages.apply, methods=["POST"]),
        ],
        exception_handlers={404: _not_here, SleepAgreeError: _refused, Exception: _failed},
    )


async def _not_here(request: Request, error: Exception) -> Response:  # noqa: ARG001
    return HTMLResponse(views.message("There is no such page any more."), 404)


async def _refused(request: Request, error: Exception) -> Response:  # noqa: ARG001
    said = error.told(Front.PAGE) if isinstance(error, SleepAgreeError) else str(error)
    return HTMLResponse(views.message(said), 400)


async def _failed(request: Request, error: Exception) -> Response:  # noqa: ARG001
    # its text may hold anything that a file held, and the folder's name; the terminal shows where it came from
    return HTMLResponse(views.message(f"Something went wrong here, not in your files ({type(error).__name__})."), 500)


class _Pages:
    """What each route answers."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    async def start(self, request: Request) -> Response:  # noqa: ARG002
        return HTMLResponse(views.start(self._desk.works.values(), self._desk.layouts))

    async def forget(self, request: Request) -> Response:  # noqa: ARG002
        self._desk.layouts.forget()
        return RedirectResponse("/", 303)

    async def style(self, request: Request) -> Response:  # noqa: ARG002
        return Response(views.style(), media_type="text/css")

    async def script(self, request: Request) -> Response:  # noqa: ARG002
        return Response(views.script(), media_type="text/javascript")

    async def begin(self, request: Request) -> Response:
        """Take the files of something new."""
        try:
            kind = WorkKind(request.path_params["kind"])
        except ValueError:
            raise HTTPException(404) from None
        async with _form(request) as (_, files):
            if not files:
                raise InputError("no file was given", remedy="Go back and choose one.")
            _refuse_second_files(kind, files)
            work = self._desk.begin(kind)
            await run_in_threadpool(_store, work, files)
        await run_in_threadpool(_first_look, work)
        return RedirectResponse(f"/work/{work.name}", 303)

    async def show(self, request: Request) -> Response:
        work = self._desk.of(request)
        if work.kind is WorkKind.STUDY:
            return HTMLResponse(views.study(work))
        known = [side for side, look in work.looks.items() if self._desk.known(look) is not None]
        return HTMLResponse(views.night(work, known))

    async def answer(self, request: Request) -> Response:
        """Take answers, and another file where one was given; score where that was asked."""
        work = self._desk.of(request)
        async with _form(request) as (form, files):
            if work.running:
                return _untaken(work)
            await run_in_threadpool(self._take, work, form, files)
        if form.get("do") != "score" or work.message or not work.is_ready:
            return RedirectResponse(f"/work/{work.name}", 303)
        self._desk.remember(work)
        work.start()
        return RedirectResponse(f"/work/{work.name}/answer", 303)

    def _take(self, work: Work, form: Mapping[str, str], files: list[tuple[str, UploadFile]]) -> None:
        work.message = ""
        try:
            if work.kind is WorkKind.STUDY:
                if form.get("do") == "find":
                    _find_nights(work, form)
                else:
                    work.write_table(form)
                return
            work.answer(form)
            for side in work.sides:
                if form.get("do") == f"as-before.{side}" and (layout := self._desk.known(work.looks[side])):
                    work.sides[side] = work.sides[side].read_as(layout)
            _refuse_second_files(work.kind, files)
            _store(work, files)
            work.look()
        except SleepAgreeError as error:
            work.message = error.told(Front.PAGE)

    async def result(self, request: Request) -> Response:
        work = self._desk.of(request)
        is_failed = work.job is not None and not work.running and not work.results
        if work.job is None or (is_failed and work.is_outdated):
            return RedirectResponse(f"/work/{work.name}", 303)
        return HTMLResponse(views.answer(work, is_untaken="untaken" in request.query_params))

    async def stop(self, request: Request) -> Response:
        work = self._desk.of(request)
        if work.job is not None:
            await work.job.stop()
        return RedirectResponse(f"/work/{work.name}/answer", 303)

    async def progress(self, request: Request) -> Response:
        """Tell how far a command is, until it has ended."""
        work = self._desk.of(request)

        async def tell() -> AsyncIterator[str]:
            while work.job is not None and work.job.running:
                yield f"data: {json.dumps({'done': work.job.done, 'total': work.job.total})}\n\n"
                await asyncio.wait([work.job.task], timeout=_TELL_EVERY_S)
            yield "event: end\ndata: {}\n\n"

        return StreamingResponse(tell(), media_type="text/event-stream")

    async def report(self, request: Request) -> Response:
        """Show the report, whose own rules hold for what it may load."""
        from sleepagree.render.page import page_policy

        work = self._desk.of(request)
        if not work.results:
            raise HTTPException(404)
        policy = f"{page_policy()}; frame-ancestors 'self'"
        return HTMLResponse((work.folder / SHOWN).read_bytes(), headers={"content-security-policy": policy})

    async def keep(self, request: Request) -> Response:
        """Hand out one of the files that were made, or all of them."""
        work = self._desk.of(request)
        name, results = request.path_params["file"], work.results
        if name == "everything.zip" and results:
            packed = await run_in_threadpool(_pack, results)
            return FileResponse(packed, filename=f"{work.title}.zip", background=BackgroundTask(packed.unlink))
        if name not in results:
            raise HTTPException(404)
        return FileResponse(results[name], media_type="application/octet-stream", filename=Path(name).name)

    async def clock(self, request: Request) -> Response:
        work = self._desk.of(request)
        if work.kind is not WorkKind.NIGHT or not work.has_both:
            raise HTTPException(404)
        return HTMLResponse(await run_in_threadpool(_clock_page, work))

    async def apply(self, request: Request) -> Response:
        """Score again with a clock offset, because that was asked for, unless an answer is in the way."""
        work = self._desk.of(request)
        async with _form(request) as (form, _):
            offset = form.get("offset", "")
        if work.kind is not WorkKind.NIGHT:
            raise HTTPException(404)
        if work.running:
            return _untaken(work)
        work.take_offset(offset)
        await run_in_threadpool(work.look)
        if not work.is_ready:
            return RedirectResponse(f"/work/{work.name}", 303)
        work.start()
        return RedirectResponse(f"/work/{work.name}/answer", 303)


def _untaken(work: Work) -> Response:
    """Show what runs, and that what was given meanwhile is not taken: the command reads the files and answers."""
    return RedirectResponse(f"/work/{work.name}/answer?untaken", 303)


# --- files ------------------------------------------------------------------------------------------------


@contextlib.asynccontextmanager
async def _form(request: Request) -> AsyncIterator[tuple[dict[str, str], list[tuple[str, UploadFile]]]]:
    """Yield the texts of a form and the files that were chosen in it; what is not stored then is removed."""
    kind = request.headers.get("content-type", "")
    with tempfile.TemporaryDirectory() as folder:
        try:
            if kind.startswith("multipart/form-data"):
                data = await _Parser(request, folder).parse()
            else:
                data = await request.form(max_fields=_MOST_FIELDS)
        except _TooManyFiles:
            remedy = "Give a folder of fewer; the command line takes any number."
            problem = "these are more files than the page takes"
            raise InputError(problem, expected=f"{MOST_FILES} at most", remedy=remedy) from None
        except MultiPartException as error:
            raise InputError("the form cannot be taken", found=error.message.rstrip(".")) from None
        except ClientDisconnect:
            raise InputError("the upload was cut short") from None
        except OSError as error:
            remedy = "Make room where temporary files lie, then give them again."
            raise InputError("the files cannot be stored", found=error.strerror or "", remedy=remedy) from None
        texts = {key: value for key, value in data.items() if isinstance(value, str)}
        files = [(key, value) for key, value in data.multi_items() if isinstance(value, UploadFile) and value.filename]
        yield texts, files


def _store(work: Work, files: list[tuple[str, UploadFile]]) -> None:
    """Store uploads: each file of a night in the folder of its side, those of a study as they lay in theirs."""
    if work.kind is WorkKind.STUDY:
        places = stored_paths([upload.filename or "" for _, upload in files], taken=RESERVED)
        for (_, upload), place in zip(files, places, strict=True):
            _save(upload, work.folder / place.path)
        work.renamed = {p.path.as_posix(): p.given for p in places if p.path.as_posix() != p.given}
        return
    layouts: dict[str, Layout] = {}
    for field_name, upload in files:
        given = upload.filename or ""
        side, _, what = field_name.partition(".")
        if what == "layout" and side in ("reference", "device"):
            path = work.folder / f"given-{side}" / stored_name(given, instead="layout.toml")
            _save(upload, path)
            try:
                layouts[side] = read_layout(path)
            except SleepAgreeError as error:
                work.message = error.in_file(given).told(Front.PAGE)
        elif field_name == "correction.file":
            _save(upload, work.folder / CORRECTION)
            work.give_correction(given)
        elif what == "file" and side in ("reference", "device"):
            path = work.folder / side / stored_name(given)
            before = work.sides.get(side)
            if before is not None:
                before.path.unlink(missing_ok=True)
            _save(upload, path)
            work.give(side, Given.proposed(path, given) if before is None else before.another(path, given))
    for side, layout in layouts.items():
        if side in work.sides:
            work.sides[side] = work.sides[side].read_as(layout)


def _save(upload: UploadFile, path: Path) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        Path(upload.file.name).replace(path)
    except OSError as error:
        remedy = "Shorten its name or those of its folders, or make room where temporary files lie."
        raise InputError(
            "a file cannot be stored", upload.filename or "", found=error.strerror or "", remedy=remedy
        ) from None


def _refuse_second_files(kind: WorkKind, files: list[tuple[str, UploadFile]]) -> None:
    """Refuse two files where one is asked for: the second would take the place of the first."""
    names = [name for name, _ in files]
    for name, upload in files:
        if kind is not WorkKind.STUDY and names.count(name) > 1:
            raise InputError(
                "several files were given where one is asked for", upload.filename or "", remedy="Give one."
            )


def _find_nights(work: Work, form: Mapping[str, str]) -> None:
    """Find nights by the names of files; a message names no folder of this machine."""
    given = {key: text.strip() for key, text in form.items()}
    keys = (key for key, text in given.items() if key.partition(".")[0] == "device" and text)
    devices = [(given[key], given.get(key.replace("device", "name"), "")) for key in keys]
    try:
        work.find_nights(given.get("reference", ""), devices)
    except SleepAgreeError as error:
        raise error.in_file("") from None


def _first_look(work: Work) -> None:
    """Look at what was given before anything was answered."""
    if work.kind is WorkKind.STUDY and (table := work.given_table):
        try:
            work.read_table(table)
        except SleepAgreeError as error:
            work.message = error.told(Front.PAGE, work.folder)
    elif work.kind is WorkKind.STUDY:
        with contextlib.suppress(SleepAgreeError):  # names that do not show it are asked for
            work.find_nights()
    work.look()


def _pack(results: Mapping[str, Path]) -> Path:
    with tempfile.NamedTemporaryFile(suffix=".zip", delete=False) as packed:
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, path in results.items():
                archive.write(path, name)
        return Path(packed.name)


def _clock_page(work: Work) -> str:
    from sleepagree.scoring.clock_check import scan_clock

    paired, mapping = work.paired(clock_offset_s=0.0)
    return views.clock(work, scan_clock(paired, mapping), paired)
