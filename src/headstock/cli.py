"""The command line: the same actions as the browser's, one command each; `--json` on everything.

In: words and files. Out: text for a person, or one JSON object whose names are
those of the measures. Refusals go to standard error with the exception's words;
the exit code is 1 for a refusal, 2 for a mistyped command.
"""

import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from headstock import __version__
from headstock.errors import HeadstockError, RecordError

__all__ = ["app", "main"]

app = typer.Typer(
    name="headstock",
    help="Planning of bone-conserving hip replacement, from a hospital's films to a signed plan. "
    "Not a cleared medical device: the surgeon verifies, local rules prevail.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)
film_app = typer.Typer(help="Open, scale and read one film.", no_args_is_help=True)
app.add_typer(film_app, name="film")

Data = Annotated[Path | None, typer.Option("--data", help="Data folder (default: the platform's own).")]
Json = Annotated[bool, typer.Option("--json", help="One JSON object instead of text.")]
Today = Annotated[str | None, typer.Option("--today", help="Act as on this day, YYYY-MM-DD (for old studies).")]
Who = Annotated[str | None, typer.Option("--reader", help="Who acts; kept in the record.")]


# ---- the shell -----------------------------------------------------------------------------------------------


def _clock(today: str | None) -> Callable[[], datetime]:
    """The time of day now, on the stated day when one is given (or HEADSTOCK_TODAY says one)."""
    said = today or os.environ.get("HEADSTOCK_TODAY")
    if not said:
        return lambda: datetime.now().astimezone()
    try:
        day = date.fromisoformat(said)
    except ValueError:
        raise RecordError(f"“{said}” is no day. Write it as YYYY-MM-DD.") from None
    return lambda: datetime.combine(day, datetime.now().time()).astimezone()


def _folder(data: Path | None) -> Path:
    from headstock.records import default_folder

    return data or Path(os.environ.get("HEADSTOCK_DATA") or default_folder())


@contextmanager
def _desk(data: Path | None) -> Iterator[Any]:
    from headstock.desk.desk import open_desk

    desk = open_desk(_folder(data))
    try:
        yield desk
    finally:
        desk.close()


def _print(text: str) -> None:
    typer.echo(text)


def _out(value: Any, as_json: bool, text: Callable[[], str]) -> None:
    """The answer, as JSON or as text."""
    if as_json:
        plain = value.model_dump(mode="json") if hasattr(value, "model_dump") else value
        _print(json.dumps(plain, ensure_ascii=False, indent=2))
    else:
        _print(text())


def main() -> NoReturn:
    """Run the command line."""
    try:
        app()
    except HeadstockError as error:
        if "--json" in sys.argv:
            _print(json.dumps({"stopped": str(error), "guard": getattr(error, "guard", None)}, ensure_ascii=False))
        else:
            typer.echo(f"Stopped. {error}", err=True)
        sys.exit(1)
    sys.exit(0)


# ---- serving -------------------------------------------------------------------------------------------------

Port = Annotated[int, typer.Option(help="Port to listen on.")]
Host = Annotated[
    str, typer.Option(help="Address to listen on; other than loopback only behind your own access control.")
]


@app.command()
def serve(data: Data = None, port: Port = 8470, host: Host = "127.0.0.1", today: Today = None) -> None:
    """Serve the pages on this machine."""
    _serve(data, port, host, today)


@app.command()
def demo(
    data: Data = None, port: Port = 8470, host: Host = "127.0.0.1", today: Today = None, load_only: bool = False
) -> None:
    """Load the demo patients into the data folder and serve the pages."""
    from headstock.desk.demo import load_demo
    from headstock.desk.desk import reader

    with _desk(data) as desk:
        for _, line in load_demo(
            desk,
            who=reader(desk),
            now=_clock(today)(),
            tell=lambda share, says: _print(f"{100 * share:3.0f} %  {says}"),
        ):
            _print(f"       {line.name.rpartition('/')[2]}: {line.says}")
    if not load_only:
        _serve(data, port, host, today)


def _serve(data: Path | None, port: int, host: str, today: str | None) -> None:
    import uvicorn

    from headstock.desk.desk import open_desk
    from headstock.server.app import make_app
    from headstock.server.guarded import Reach

    desk = open_desk(_folder(data))
    reach = Reach()
    if host not in ("127.0.0.1", "localhost", "::1"):
        reach = Reach(hosts=(*reach.hosts, host.lower()), any_host=host in ("0.0.0.0", "::"))
    application = make_app(desk, _clock(today), reach=reach)
    shown = f"[{host}]" if ":" in host else host
    _print(f"headstock {__version__} serves {_folder(data)}")
    _print(f"Open http://{shown}:{port}/  (Ctrl+C stops it)")
    # No access log: an address may hold the words someone searched for, and those may be a name.
    uvicorn.run(application, host=host, port=port, access_log=False, log_level="warning", server_header=False)


# ---- records -------------------------------------------------------------------------------------------------


@app.command("import")
def import_(
    paths: list[Path],
    data: Data = None,
    hip: Annotated[str | None, typer.Option(help="Hip that pictures without an identity belong to.")] = None,
    today: Today = None,
    who: Who = None,
    as_json: Json = False,
) -> None:
    """Bring in films: files, folders, zips, DICOM media."""
    from headstock.desk.bringing import bring_in, summary_words
    from headstock.desk.desk import reader

    gone = [path for path in paths if not path.exists()]
    if gone:
        raise RecordError(f"There is no file or folder “{gone[0].name}”. Check the path.")
    with _desk(data) as desk:
        lines = []
        for line in bring_in(desk, paths, who=who or reader(desk), now=_clock(today)(), into=hip):
            lines.append(line)
            if not as_json:
                _print(f"{line.outcome.replace('_', ' '):13} {line.name}: {line.says}")
        plain = [
            {"name": x.name, "outcome": x.outcome, "says": x.says, "hip_id": x.hip_id, "film_id": x.film_id}
            for x in lines
        ]
        _out({"says": summary_words(lines), "lines": plain}, as_json, lambda: summary_words(lines))


@app.command()
def hips(find: str = "", data: Data = None, today: Today = None, as_json: Json = False) -> None:
    """List the hips and the next thing to do for each."""
    from headstock.desk.hips import hips_page

    with _desk(data) as desk:
        page = hips_page(desk, find=find, today=_clock(today)().date())

    def text() -> str:
        lines = [page.finding]
        for group in page.groups:
            lines.append(f"\n{group.title}")
            lines += [
                f"  {row.hip_id}  {row.person.number:16} {row.side:5}  {row.next.title} ({row.next.detail})"
                for row in group.rows
            ]
        return "\n".join(lines)

    _out(page, as_json, text)
