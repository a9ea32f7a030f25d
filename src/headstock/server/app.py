"""The HTTP shell: addresses to actions of the desk, refusals to words. No formula and no workflow lives here.

In: an open desk and a clock. Out: an ASGI application. Errors of headstock become
`Stop` with the exception's own words; anything else becomes words that name no
person, and the log gets the kind of the error and where, never its text.
"""

import re
import shutil
import uuid
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

from fastapi import Depends, FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException

from headstock.desk import compare, films, hips, limits, place, readings, repeats, sign
from headstock.desk.desk import Desk, reader, set_reader
from headstock.desk.facts import set_fact
from headstock.desk.landmarks import landmark_page
from headstock.desk.scans.walls import wall_bytes
from headstock.desk.snapping import snap
from headstock.desk.works import spool_names, sweep_spool, works
from headstock.errors import GuardError, HeadstockError, RecordError
from headstock.jobs import Job, Runner
from headstock.records import StepConflictError
from headstock.records.people import NotFoundError
from headstock.server import schema
from headstock.server.guarded import Guarded, Reach
from headstock.server.raw import raw
from headstock.server.scans import scan_routes
from headstock.server.static import static_response

__all__ = ["make_app"]

Clock = Callable[[], datetime]
_MOST_FILES = 20_000
_PIECE = 1 << 20


class ReaderIn(schema.Given):
    """Who reads."""

    reader: str


class LimitChange(schema.Given):
    """A limit as this installation sets it."""

    low: float | None = None
    high: float | None = None
    source: str
    by: str


class UseIn(schema.Given):
    """Take a film into this hip, or out of it."""

    used: bool


class ChosenLevel(schema.Given):
    """The cut level the surgeon chose."""

    level: schema.LevelName


class BestIn(schema.Given):
    """Best placement of a level, of one family and size when named."""

    level: schema.LevelName
    family: str | None = None
    size: str | None = None


def make_app(desk: Desk, clock: Clock, *, reach: Reach | None = None, static: Path | None = None) -> FastAPI:
    """The application over an open desk; it takes up interrupted work when it starts and closes the desk at its end."""
    runner = Runner(desk.store, works(desk, clock), clock)

    @asynccontextmanager
    async def life(_: FastAPI) -> AsyncIterator[None]:
        sweep_spool(desk)
        runner.take_up()
        yield
        runner.close()
        desk.close()

    app = FastAPI(title="headstock", docs_url=None, redoc_url=None, openapi_url=None, lifespan=life)
    app.add_middleware(Guarded, reach=reach or Reach())
    _refusals(app)
    _installation(app, desk, runner, clock)
    _hips(app, desk, clock)
    _films(app, desk, clock)
    _readings(app, desk, clock)
    _plans(app, desk, clock)
    scan_routes(app, desk, runner, clock, _job)

    @app.get("/{path:path}", include_in_schema=False)
    def page(path: str, request: Request) -> Response:
        if path.startswith("api/"):
            raise HTTPException(404)
        return static_response(path, request, static)

    return app


# ---- refusals ------------------------------------------------------------------------------------------------


def _stop(status: int, words: str, guard: str | None = None, detail: dict[str, Any] | None = None) -> JSONResponse:
    return JSONResponse(schema.Stop(stopped=words, guard=guard, detail=detail).model_dump(), status)


def _refusals(app: FastAPI) -> None:
    @app.exception_handler(HeadstockError)
    def refused(_: Request, error: HeadstockError) -> JSONResponse:
        if isinstance(error, GuardError):
            return _stop(409, str(error), error.guard)
        if isinstance(error, NotFoundError):
            return _stop(404, str(error))
        if isinstance(error, StepConflictError):
            return _stop(409, str(error), "step conflict")
        return _stop(422, str(error))

    @app.exception_handler(RequestValidationError)
    def not_understood(_: Request, error: RequestValidationError) -> JSONResponse:
        # Where and what kind, never what was typed: it may be a person's.
        wrong = "; ".join(f"{_where(e['loc'][1:])}: {e['msg']}" for e in error.errors()[:5])
        return _stop(422, f"The request could not be understood ({wrong}). Nothing was changed.")

    @app.exception_handler(HTTPException)
    def no_page(_: Request, error: HTTPException) -> JSONResponse:
        words = "There is no such page." if error.status_code == 404 else f"Not possible here ({error.status_code})."
        return _stop(error.status_code, words)


def _where(location: tuple[int | str, ...]) -> str:
    """The place in the body; names that only the sender knows are left out."""
    return ".".join(str(p) if re.fullmatch(r"[a-z0-9_.]{1,40}", str(p)) else "…" for p in location[:6])


# ---- installation, jobs, import ------------------------------------------------------------------------------


def _job(job: Job) -> schema.JobOut:
    return schema.JobOut(
        job_id=job.job_id,
        what=job.what,
        state=job.state,
        share=job.share,
        says=job.says,
        lines=[schema.ImportLine.model_validate(line) for line in job.lines],
        hip_ids=list(job.hip_ids),
    )


async def _spooled(form: FormData, folder: Path) -> dict[str, str]:
    """The files of an upload, numbered on the disk; returns what their owner calls them."""
    names: dict[str, str] = {}
    for upload in form.getlist("files") + form.getlist("files[]"):
        if not isinstance(upload, UploadFile):
            continue
        stored = f"{len(names):05d}"  # a number: what the browser calls a file never becomes a path
        called = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in upload.filename or "")
        names[stored] = called[-300:] or f"file {len(names) + 1}"
        with (folder / stored).open("wb") as out:
            while piece := await upload.read(_PIECE):
                await run_in_threadpool(out.write, piece)
    return names


def _installation(app: FastAPI, desk: Desk, runner: Runner, clock: Clock) -> None:
    @app.get("/api/about")
    def about() -> schema.About:
        return hips.about(desk, today=clock().date())

    @app.put("/api/reader")
    def put_reader(given: ReaderIn) -> schema.About:
        set_reader(desk, given.reader, now=clock())
        return hips.about(desk, today=clock().date())

    @app.get("/api/landmarks")
    def landmarks() -> schema.LandmarkPage:
        return landmark_page()

    @app.get("/api/limits")
    def get_limits() -> list[schema.LimitRow]:
        return limits.limit_rows(desk)

    @app.put("/api/limits/{key}")
    def put_limit(key: str, given: LimitChange) -> list[schema.LimitRow]:
        return limits.change_limit(
            desk, key, low=given.low, high=given.high, source=given.source, by=given.by, now=clock()
        )

    @app.get("/api/jobs")
    def jobs() -> list[schema.JobOut]:
        return [_job(job) for job in runner.jobs()]

    @app.get("/api/jobs/{job_id}")
    def job(job_id: str) -> schema.JobOut:
        return _job(runner.job(job_id))

    @app.delete("/api/jobs/{job_id}")
    def cancel(job_id: str) -> schema.JobOut:
        return _job(runner.cancel(job_id))

    @app.post("/api/jobs/{job_id}/again")
    def again(job_id: str) -> schema.JobOut:
        return _job(runner.retry(job_id))

    @app.post("/api/demo")
    def demo() -> schema.JobOut:
        who = reader(desk)
        return _job(runner.begin("demo", "Demo patients", {"who": who}, by=who))

    @app.post("/api/import")
    async def bring(request: Request) -> schema.JobOut:
        folder = desk.store.spool / uuid.uuid4().hex
        try:
            async with request.form(max_files=_MOST_FILES, max_fields=20) as form:
                folder.mkdir(mode=0o700)
                names = await _spooled(form, folder)
                into = form.get("hip")
        except (MultiPartException, HTTPException):
            raise RecordError(
                f"The upload could not be read, or holds more than {_MOST_FILES} files. Nothing was taken in. Zip the "
                "folder and drop the zip, or import it from the command line."
            ) from None
        except OSError as error:
            shutil.rmtree(folder, ignore_errors=True)
            raise RecordError(
                f"The upload could not be kept ({error.strerror or type(error).__name__}). Nothing was taken in. Free "
                "space on this machine's disk, or make the data folder writable, and drop the files again."
            ) from None
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)  # broken off: nobody will ask for this again
            raise
        if not names:
            folder.rmdir()
            raise RecordError("The upload held no file. Choose files, a folder or a zip, and try again.")
        spool_names(folder, names)
        who = await run_in_threadpool(reader, desk)
        what = next(iter(names.values())) if len(names) == 1 else f"{len(names)} files"
        arguments = {"spool": folder.name, "who": who, "into": into if isinstance(into, str) and into else None}
        return _job(
            await run_in_threadpool(lambda: runner.begin("import", f"Import of {what}"[:250], arguments, by=who))
        )


# ---- hips ----------------------------------------------------------------------------------------------------


def _hips(app: FastAPI, desk: Desk, clock: Clock) -> None:
    @app.get("/api/hips")
    def list_hips(find: str = "") -> schema.HipsPage:
        return hips.hips_page(desk, find=find, today=clock().date())

    @app.get("/api/hips/{hip}")
    def one_hip(hip: str) -> schema.HipPage:
        return hips.hip_page(desk, hip, today=clock().date())

    @app.put("/api/hips/{hip}/facts/{key}")
    def put_fact(hip: str, key: str, given: schema.FactIn) -> schema.HipPage:
        set_fact(desk, hip, key, given, who=reader(desk), now=clock())
        return hips.hip_page(desk, hip, today=clock().date())

    @app.post("/api/hips/{hip}/films/{film}/use")
    def use(hip: str, film: str, given: UseIn) -> schema.HipPage:
        films.use_film(desk, hip, film, given.used, who=reader(desk), now=clock())
        return hips.hip_page(desk, hip, today=clock().date())


# ---- films ---------------------------------------------------------------------------------------------------


def _films(app: FastAPI, desk: Desk, clock: Clock) -> None:
    @app.get("/api/films/{film}")
    def one_film(film: str, hip: str | None = None) -> schema.FilmPage:
        return films.film_page(desk, film, hip, today=clock().date())

    @app.get("/api/films/{film}/grey")
    def grey(film: str, request: Request) -> Response:
        return raw(*films.grey_bytes(desk, film), request)

    @app.get("/api/films/{film}/thumb.png")
    def thumb(film: str) -> Response:
        return Response(films.thumb_png(desk, film), media_type="image/png")

    @app.put("/api/films/{film}/scale")
    def put_scale(film: str, given: schema.ScaleIn, hip: str | None = None) -> schema.FilmPage:
        return films.set_scale(desk, film, given, hip, who=reader(desk), now=clock())

    @app.put("/api/films/{film}/side")
    def put_side(film: str, given: schema.SideLetterIn, hip: str | None = None) -> schema.FilmPage:
        return films.confirm_side(desk, film, given, hip, who=reader(desk), now=clock())

    @app.post("/api/films/{film}/snap")
    def post_snap(film: str, given: schema.SnapIn) -> schema.SnapOut:
        return snap(desk, film, given)


# ---- readings ------------------------------------------------------------------------------------------------


def _readings(app: FastAPI, desk: Desk, clock: Clock) -> None:
    Who = Annotated[str, Depends(lambda: reader(desk))]

    @app.get("/api/films/{film}/reading")
    def get_reading(film: str, hip: str, who: Who) -> schema.ReadingPage:
        return readings.reading_page(desk, film, hip, who=who)

    @app.put("/api/films/{film}/reading")
    def put_reading(film: str, hip: str, given: schema.ReadingIn, who: Who) -> schema.ReadingPage:
        return readings.keep_reading(desk, film, hip, given, who=who, now=clock())

    @app.post("/api/films/{film}/measure")
    def measure(film: str, hip: str, state: schema.ReadingState) -> schema.MeasuresOut:
        return readings.measure_live(desk, film, hip, state)

    @app.post("/api/films/{film}/reading/undo")
    def undo(film: str, hip: str, who: Who) -> schema.ReadingPage:
        return readings.undo_reading(desk, film, hip, who=who, now=clock())

    @app.post("/api/films/{film}/reading/redo")
    def redo(film: str, hip: str, who: Who) -> schema.ReadingPage:
        return readings.redo_reading(desk, film, hip, who=who, now=clock())

    @app.get("/api/films/{film}/reading/repeats")
    def all_readings(film: str, hip: str) -> schema.RepeatPage:
        return repeats.repeat_page(desk, film, hip)

    @app.post("/api/films/{film}/reading/again")
    def again(film: str, hip: str, who: Who) -> schema.ReadingPage:
        return readings.read_again(desk, film, hip, who=who, now=clock())


# ---- comparison, placement, signature ------------------------------------------------------------------------


def _plans(app: FastAPI, desk: Desk, clock: Clock) -> None:
    @app.get("/api/hips/{hip}/comparison")
    def comparison(hip: str) -> schema.Comparison:
        return compare.comparison(desk, hip, today=clock().date())

    @app.put("/api/hips/{hip}/chosen")
    def choose(hip: str, given: ChosenLevel) -> schema.Comparison:
        return compare.choose(desk, hip, given.level, who=reader(desk), now=clock())

    @app.put("/api/hips/{hip}/target")
    def target(hip: str, given: schema.TargetIn) -> schema.PlacementPage:
        return place.set_target(desk, hip, given, who=reader(desk), now=clock())

    @app.get("/api/hips/{hip}/placement")
    def placement(hip: str) -> schema.PlacementPage:
        return place.placement_page(desk, hip, today=clock().date())

    @app.put("/api/hips/{hip}/placement")
    def keep(hip: str, given: schema.PlacementSave) -> schema.PlacementPage:
        return place.keep_placement(desk, hip, given, who=reader(desk), now=clock())

    @app.post("/api/hips/{hip}/appraise")
    def appraise(hip: str, given: schema.PlacementIn) -> schema.Appraisal:
        return place.appraise_live(desk, hip, given, today=clock().date())

    @app.post("/api/hips/{hip}/values")
    def values(hip: str, given: schema.PlacementIn) -> schema.Moved:
        return place.values_live(desk, hip, given, today=clock().date())

    @app.post("/api/hips/{hip}/walls")
    def walls(hip: str, given: schema.PlacementIn) -> Response:
        left = wall_bytes(desk, hip, given, today=clock().date())
        return Response(left, media_type="application/octet-stream")

    @app.post("/api/hips/{hip}/placement/undo")
    def undo(hip: str) -> schema.PlacementPage:
        return place.undo_placement(desk, hip, who=reader(desk), now=clock())

    @app.post("/api/hips/{hip}/placement/redo")
    def redo(hip: str) -> schema.PlacementPage:
        return place.redo_placement(desk, hip, who=reader(desk), now=clock())

    @app.post("/api/hips/{hip}/placement/best")
    def best(hip: str, given: BestIn) -> schema.PlacementPage:
        return place.best_again(
            desk, hip, given.level, family=given.family, size=given.size, who=reader(desk), now=clock()
        )

    @app.get("/api/hips/{hip}/signature")
    def signature(hip: str) -> schema.SignaturePage:
        return sign.signature_page(desk, hip, today=clock().date())

    @app.post("/api/hips/{hip}/sign")
    def sign_plan(hip: str, given: schema.SignIn) -> schema.SignaturePage:
        return sign.sign_plan(desk, hip, given, now=clock())

    @app.get("/api/hips/{hip}/sheet.pdf")
    def draft_sheet(hip: str, paper: str = "a4") -> Response:
        return _pdf(sign.draft_sheet(desk, hip, paper, now=clock()))

    @app.get("/api/plans/{plan}/sheet.pdf")
    def signed_sheet(plan: str, paper: str = "a4") -> Response:
        return _pdf(sign.signed_sheet(desk, plan, paper, now=clock()))


def _pdf(data: bytes) -> Response:
    # A neutral name: what a browser saves must not carry a person's name into a download folder.
    return Response(
        data,
        media_type="application/pdf",
        headers={"Content-Disposition": 'inline; filename="theatre-sheet.pdf"', "Cache-Control": "no-store"},
    )
