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
from dataclasses import asdict, replace
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from typer.exceptions import TyperException

from headstock import __version__
from headstock.errors import HeadstockError, RecordError
from headstock.units import written

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
scan_app = typer.Typer(help="Read one CT or MR scan.", no_args_is_help=True)
app.add_typer(scan_app, name="scan")

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
    """Run the command line. A refusal ends with 1, a mistyped command with 2; both speak JSON where JSON was asked."""
    try:
        code = app(standalone_mode=False)
    except HeadstockError as error:
        _refused(str(error), getattr(error, "guard", None), 1)
    except ValueError as error:
        from pydantic import ValidationError  # here, so that every other start need not wait for it

        if not isinstance(error, ValidationError):
            raise
        wrong = "; ".join(f"{'.'.join(str(p) for p in e['loc'])}: {e['msg']}" for e in error.errors()[:5])
        _refused(f"A value cannot be taken ({wrong}). Nothing was changed. `--help` shows what is meant.", None, 1)
    except OSError as error:
        # Without the path: it may name a person, and this text may be kept.
        said = error.strerror or type(error).__name__
        _refused(f"A file or folder cannot be used: {said}. Check the path, its rights and the space there.", None, 1)
    except TyperException as error:
        if "--json" in sys.argv:
            _refused(f"{error.format_message()} `--help` shows what is meant.", None, error.exit_code)
        show = getattr(error, "show", None)  # usage and the nearest command, as the parser lays them out
        if show is None:
            _refused(str(error), None, error.exit_code)
        show()
        sys.exit(error.exit_code)
    except typer.Abort:
        sys.exit(130)
    sys.exit(code if isinstance(code, int) else 0)


def _refused(words: str, guard: str | None, code: int) -> NoReturn:
    if "--json" in sys.argv:
        _print(json.dumps({"stopped": words, "guard": guard}, ensure_ascii=False))
    else:
        typer.echo(f"Stopped. {words}", err=True)
    sys.exit(code)


# ---- serving -------------------------------------------------------------------------------------------------

Port = Annotated[int, typer.Option(help="Port to listen on.", min=1, max=65535)]
Host = Annotated[
    str, typer.Option(help="Address to listen on; other than loopback only behind your own access control.")
]


@app.command()
def serve(
    data: Data = None, port: Port = 8470, host: Host = "127.0.0.1", today: Today = None, as_json: Json = False
) -> None:
    """Serve the pages on this machine."""
    _serve(data, port, host, today, as_json=as_json)


@app.command()
def demo(
    data: Data = None,
    port: Port = 8470,
    host: Host = "127.0.0.1",
    today: Today = None,
    load_only: Annotated[bool, typer.Option(help="Load them and stop.")] = False,
    as_json: Json = False,
) -> None:
    """Load the demo patients into the data folder and serve the pages."""
    from headstock.desk.bringing import Brought, summary_words
    from headstock.desk.demo import load_demo
    from headstock.desk.desk import reader

    brought: list[Brought] = []
    with _desk(data) as desk:
        for _, line in load_demo(
            desk,
            who=reader(desk),
            now=_clock(today)(),
            tell=lambda share, says: None if as_json else _print(f"{100 * share:3.0f} %  {says}"),
        ):
            brought.append(replace(line, name=line.name.rpartition("/")[2]))
            if not as_json:
                _print(f"       {brought[-1].name}: {line.says}")
    if load_only:
        lines = [{"name": line.name, "outcome": line.outcome, "says": line.says} for line in brought]
        _out({"lines": lines}, as_json, lambda: summary_words(brought))
    else:
        _serve(data, port, host, today, as_json=as_json)


def _serve(data: Path | None, port: int, host: str, today: str | None, *, as_json: bool) -> None:
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
    address = f"http://{shown}:{port}/"
    _out(
        {"address": address, "version": __version__},
        as_json,
        lambda: f"headstock {__version__} serves {_folder(data)}\nOpen {address}  (Ctrl+C stops it)",
    )
    # No access log: an address may hold the words someone searched for, and those may be a name.
    uvicorn.run(application, host=host, port=port, access_log=False, log_level="warning", server_header=False)


# ---- records -------------------------------------------------------------------------------------------------


@app.command("import")
def import_(
    paths: list[Path],
    data: Data = None,
    hip: Annotated[str | None, typer.Option(help="Hip that pictures without an identity belong to.")] = None,
    modality: Annotated[str | None, typer.Option(help="CT or MR: of NIfTI files, which do not say it.")] = None,
    today: Today = None,
    who: Who = None,
    as_json: Json = False,
) -> None:
    """Bring in films: files, folders, zips, DICOM media."""
    from headstock.desk.bringing import bring_in, settled, summary_words
    from headstock.desk.desk import reader

    gone = [path for path in paths if not path.exists()]
    if gone:
        raise RecordError(f"There is no file or folder “{gone[0].name}”. Check the path.")
    with _desk(data) as desk:
        lines = []
        said = _modality(modality)
        for line in bring_in(desk, paths, who=who or reader(desk), now=_clock(today)(), into=hip, modality=said):
            lines.append(line)
            if not as_json:
                _print(f"{line.outcome.replace('_', ' '):13} {line.name}: {line.says}")
        plain = [
            {"name": x.name, "outcome": x.outcome, "says": x.says, "hip_id": x.hip_id, "film_id": x.film_id}
            for x in settled(desk, lines)
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


# ---- one film ------------------------------------------------------------------------------------------------


def _is_file(film: str) -> bool:
    return (
        Path(film).suffix.lower() in (".dcm", ".dicom", ".jpg", ".jpeg", ".png", ".tif", ".tiff") or Path(film).exists()
    )


@film_app.command("show")
def film_show(film: str, data: Data = None, hip: str | None = None, today: Today = None, as_json: Json = False) -> None:
    """What a film says of itself: FILM is a file, or a film's id in the record."""
    from headstock.desk import loose
    from headstock.desk.films import film_page

    if _is_file(film):
        page = loose.show(Path(film))
        _out(page, as_json, lambda: "\n".join(f"{name:22} {text}" for name, text in page["header"].items()))
        return
    with _desk(data) as desk:
        shown = film_page(desk, film, hip, today=_clock(today)().date())
        _out(
            shown,
            as_json,
            lambda: "\n".join([shown.card.words, *(f"{x.name:22} {x.text}" for x in shown.header), shown.scale.says]),
        )


@film_app.command("repeats")
def film_repeats(film: str, hip: str, data: Data = None, as_json: Json = False) -> None:
    """All readings of a film side by side, and how well measures repeat within and between readers."""
    from headstock.desk.repeats import repeat_page

    with _desk(data) as desk:
        shown = repeat_page(desk, film, hip)
        _out(shown, as_json, lambda: shown.says)


@film_app.command("scale")
def film_scale(
    film: str,
    data: Data = None,
    ball: Annotated[str | None, typer.Option(help="A point on the marker ball: COLUMN,ROW.")] = None,
    circle: Annotated[str | None, typer.Option(help="The ball's circle, when known: COLUMN,ROW,RADIUS.")] = None,
    marker_mm: Annotated[float | None, typer.Option(help="The ball's diameter, mm.")] = None,
    magnification: Annotated[float | None, typer.Option(help="Magnification at the hip, 1.15 for 115 %.")] = None,
    header: Annotated[bool, typer.Option(help="Use the header's distances.")] = False,
    none: Annotated[bool, typer.Option("--none", help="Go on with angles and ratios only.")] = False,
    settle: Annotated[bool, typer.Option(help="Use it although other sources contradict it.")] = False,
    why: str = "",
    hip: str | None = None,
    today: Today = None,
    who: Who = None,
    as_json: Json = False,
) -> None:
    """Give a film its scale; without options, show every source side by side. FILM is a film's id, or a file."""
    from headstock.desk import loose
    from headstock.desk.desk import reader
    from headstock.desk.films import film_page, set_scale
    from headstock.desk.pages import ScaleIn, SnapIn
    from headstock.desk.snapping import snap

    if _is_file(film):
        found = loose.scale(Path(film), ball=_numbers(ball, 2), circle=_numbers(circle, 3), marker_mm=marker_mm)
        _out(found, as_json, lambda: "\n".join(row["words"] for row in found["choices"]))
        return
    with _desk(data) as desk:
        now = _clock(today)()
        if not any((ball, circle, magnification, header, none)):
            page = film_page(desk, film, hip, today=now.date())
        else:
            given: ScaleIn
            if ball or circle:
                found_circle, sd = _numbers(circle, 3), None
                if ball and not circle:
                    snapped = snap(desk, film, SnapIn(what="ball", side="right", clicks=[_numbers(ball, 2)]))  # type: ignore[list-item]
                    if snapped.circle is None or not snapped.found:
                        raise HeadstockError(snapped.ask or snapped.says)
                    found_circle, sd = snapped.circle, snapped.circle_sd_px
                given = ScaleIn(
                    kind="ball",
                    circle=found_circle,  # type: ignore[arg-type]  # three numbers, counted above
                    circle_sd_px=sd,
                    diameter_mm=marker_mm,
                    settle=settle,
                    why=why,
                )
            elif magnification is not None:
                given = ScaleIn(kind="typed_magnification", magnification=magnification, settle=settle, why=why)
            else:
                given = ScaleIn(kind="detector_and_distance" if header else "none", settle=settle, why=why)
            page = set_scale(desk, film, given, hip, who=who or reader(desk), now=now)
        _out(page.scale, as_json, lambda: "\n".join([page.scale.says, *(f"  {c.words}" for c in page.scale.choices)]))


@film_app.command("side")
def film_side(
    film: str,
    seen: Annotated[str, typer.Argument(help="What the letter on the film says: left, right, both, none.")],
    columns_to_left: Annotated[
        bool | None,
        typer.Option("--right-on-left/--right-on-right", help="Where the patient's right lies in the picture."),
    ] = None,
    view: Annotated[str | None, typer.Option(help="ap_pelvis, ap_hip or lateral_hip.")] = None,
    data: Data = None,
    hip: str | None = None,
    today: Today = None,
    who: Who = None,
    as_json: Json = False,
) -> None:
    """Confirm the side letter as you see it on the film."""
    from headstock.desk.desk import reader
    from headstock.desk.films import confirm_side
    from headstock.desk.pages import SideLetterIn

    with _desk(data) as desk:
        given = SideLetterIn(seen=seen, columns_to_left=columns_to_left, view=view)  # type: ignore[arg-type]
        page = confirm_side(desk, film, given, hip, who=who or reader(desk), now=_clock(today)())
        _out(
            page,
            as_json,
            lambda: "\n".join(f"{row.place}: {row.says} ({row.read_by})" for row in page.side_evidence),
        )


@film_app.command("read")
def film_read(
    film: str,
    landmarks: Annotated[Path, typer.Option(help="Landmark file, as `Reading.to_json` writes it.")],
    marker_mm: Annotated[float | None, typer.Option(help="Diameter of the marker ball, mm (file only).")] = None,
    header: Annotated[
        bool, typer.Option(help="Scale from the header, its hip depth assumed where it has none (file only).")
    ] = False,
    hip: Annotated[str | None, typer.Option(help="The hip this film is read for (record only).")] = None,
    data: Data = None,
    today: Today = None,
    who: Who = None,
    as_json: Json = False,
) -> None:
    """Measure a film from landmarks. A film of the record keeps the reading; a file needs no record."""
    from headstock.desk import loose

    try:
        text = landmarks.read_bytes()
    except OSError:
        raise RecordError(f"The landmark file “{landmarks.name}” cannot be read. Check the path.") from None
    if _is_file(film):
        found = loose.read(Path(film), text, marker_mm=marker_mm, header=header)
    else:
        from headstock.desk.desk import reader

        with _desk(data) as desk:
            found = loose.keep(desk, film, hip, text, who=who or reader(desk), now=_clock(today)())
    _out(found, as_json, lambda: _measures_text(found))


def _measures_text(found: dict[str, Any]) -> str:
    lines = []
    for name, one in found["measures"].items():
        if one["value"] is not None:
            ends = "" if one["low"] is None else f"  ({one['low']:.2f} to {one['high']:.2f})"
            lines.append(f"{name:45} {one['value']:9.2f} {written(one['unit'])}{ends}")
    return "\n".join([*lines, *found["warnings"]])


def _numbers(text: str | None, count: int) -> tuple[float, ...] | None:
    """COLUMN,ROW as numbers."""
    if text is None:
        return None
    try:
        numbers = tuple(float(part) for part in text.split(","))
    except ValueError:
        numbers = ()
    if len(numbers) != count:
        raise RecordError(f"“{text}” must be {count} numbers with commas between, in pixels.")
    return numbers


# ---- comparison, placement, signature ------------------------------------------------------------------------


# ---- scans ---------------------------------------------------------------------------------------------------

SideOption = Annotated[str, typer.Option("--side", help="Which hip: left or right.")]
Seed = Annotated[str | None, typer.Option("--seed", help="A point in the femoral head, LPS mm: x,y,z.")]
Series = Annotated[int | None, typer.Option("--series", help="Which scan, when there are several: 1, 2, ...")]
Modality = Annotated[
    str | None, typer.Option("--modality", help="CT or MR: of a NIfTI file, which does not say it itself.")
]
DensityLaw = Annotated[
    str | None,
    typer.Option("--density", help="Typed calibration: slope,offset,sd% of density in g/cm³ over HU, e.g. 0.0008,0,2."),
]


def _side(text: str) -> Any:
    from headstock.frames import Side

    if text.lower() not in ("left", "right"):
        raise RecordError(f"“{text}” is no side. Write left or right.")
    return Side(text.lower())


def _modality(text: str | None) -> Any:
    if text is not None and text.upper() not in ("CT", "MR"):
        raise RecordError(f"“{text}” is no modality that is read. Write CT or MR.")
    return None if text is None else text.upper()


def _read_series(
    path: Path,
    side: str,
    series: int | None,
    seed: str | None,
    density: str | None,
    modality: str | None,
    quiet: bool,
) -> Any:
    from headstock.desk.scans import loose

    point, law = _numbers(seed, 3), _numbers(density, 3)

    def tell(share: float, words: str) -> None:
        if not quiet and sys.stderr.isatty():
            typer.echo(f"\r{100 * share:3.0f} %  {words:<50.50}", err=True, nl=False)

    found = loose.read_series(
        loose.open_series(path, series, _modality(modality)),
        _side(side),
        seed_lps_mm=None if point is None else (point[0], point[1], point[2]),
        density=None if law is None else (law[0], law[1], law[2]),
        tell=tell,
    )
    if not quiet and sys.stderr.isatty():
        typer.echo("\r" + " " * 60 + "\r", err=True, nl=False)
    return found


@scan_app.command("show")
def scan_show(path: Path, series: Series = None, modality: Modality = None, as_json: Json = False) -> None:
    """What a CT or MR series (folder, zip, enhanced file, NIfTI) says of itself, and what was found in it."""
    from headstock.desk.scans import loose

    found = loose.show_series(loose.open_series(path, series, _modality(modality)))
    _out(found, as_json, lambda: _scan_show_text(found))


def _scan_show_text(found: dict[str, Any]) -> str:
    grid = found["grid"]
    rows = [
        f"{found['modality']}, {grid['shape'][2]} x {grid['shape'][1]} x {grid['shape'][0]} voxels of "
        + " x ".join(f"{step:.2f}" for step in grid["spacing_mm"])
        + " mm",
        "may be planned on" if found["plannable"] else "may NOT be planned on",
    ]
    return "\n".join([*rows, *(f"{one['weight']:7s} {one['says']}" for one in found["findings"])])


@scan_app.command("read")
def scan_read(
    scan: Annotated[str, typer.Argument(help="A scan of the record, or a folder, zip or file with a series.")],
    side: Annotated[str | None, typer.Option("--side", help="Which hip: left or right (of a series in files).")] = None,
    hip: Annotated[str | None, typer.Option("--hip", help="The hip of the record that the scan is read for.")] = None,
    labels_out: Annotated[
        Path | None, typer.Option("--labels-out", help="Write labels here (.nii.gz): 1 femur, 2 pelvis, 3 lesion.")
    ] = None,
    seg_out: Annotated[Path | None, typer.Option("--seg-out", help="Write a DICOM segmentation here (.dcm).")] = None,
    series: Series = None,
    seed: Seed = None,
    density: DensityLaw = None,
    modality: Modality = None,
    data: Data = None,
    today: Today = None,
    who: Who = None,
    as_json: Json = False,
) -> None:
    """Find the bone in a CT and measure the hip. A lesion lies inside the femur: labels 1 and 3 together are it."""
    from headstock.desk.scans import loose

    if not _is_file(scan):
        _read_kept_scan(scan, hip, seed, data, today, who, as_json)
        return
    path = Path(scan)
    if side is None:
        raise RecordError("Say which hip is meant: --side left or --side right.")
    found = _read_series(path, side, series, seed, density, modality, as_json)
    plain = loose.series_json(found)
    if labels_out is not None:
        loose.write_labels(found, labels_out)
        plain["labels_out"] = labels_out.name
    if seg_out is not None:
        loose.write_segmentation(found, path, seg_out)
        plain["seg_out"] = seg_out.name
    _out(plain, as_json, lambda: _scan_text(plain))


def _read_kept_scan(
    scan: str, hip: str | None, seed: str | None, data: Path | None, today: str | None, who: str | None, as_json: bool
) -> None:
    """Find the bone in a scan of the record and keep it, as the pages do."""
    from headstock.desk.desk import reader
    from headstock.desk.scans import page, working

    point, now = _numbers(seed, 3), _clock(today)()
    with _desk(data) as desk:
        hip_id = working.read_now(
            desk, scan, hip, None if point is None else list(point), who=who or reader(desk), now=now
        )
        found = page.scan_page(desk, scan, hip_id, today=now.date())
    _out(found, as_json, lambda: "\n".join([found.finding, *(f"{one.weight:7s} {one.says}" for one in found.findings)]))


def _scan_text(found: dict[str, Any]) -> str:
    rows = [f"{found['side'].capitalize()} hip"]
    for name, value in found["measures"].items():
        if value["value"] is not None and value["low"] is not None:
            ends = f"{value['low']:.2f} to {value['high']:.2f} {written(value['unit'])}"
            rows.append(f"{name:34s} {value['value']:10.2f}  {ends}")
            rows += [f"  {value['note']}"] if value["note"] else []
    return "\n".join([*rows, *(f"{one['weight']:7s} {one['says']}" for one in found["findings"])])


@scan_app.command("stock")
def scan_stock(
    path: Path,
    side: SideOption,
    series: Series = None,
    seed: Seed = None,
    density: DensityLaw = None,
    modality: Modality = None,
    as_json: Json = False,
) -> None:
    """The stock profile of a hip: bone against depth along the neck axis, and where sound bone starts."""
    from headstock.desk.scans import loose

    plain = loose.stock_json(_read_series(path, side, series, seed, density, modality, as_json))
    _out(plain, as_json, lambda: _stock_text(plain))


def _stock_text(found: dict[str, Any]) -> str:
    start = found["sound_from_mm"]
    head = (
        start["reason"]
        if start["value"] is None
        else "Sound bone starts {value:.1f} mm ({low:.1f} to {high:.1f}) below the top of the head.".format(**start)
    )
    rows = [head, *([found["note"]] if found["note"] else []), "depth mm  section mm²  sound mm²  wall mm"]
    for i in range(0, len(found["depth_mm"]), 4):
        wall = found["wall_mm"]["value"][i]
        rows.append(
            f"{found['depth_mm'][i]:8.1f}  {found['section_mm2']['value'][i] or 0:11.0f}  "
            f"{found['sound_mm2']['value'][i] or 0:9.0f}  {'' if wall is None else f'{wall:.1f}':>7s}"
        )
    return "\n".join(rows)


@app.command()
def compare(
    hip: str,
    choose: Annotated[
        str | None, typer.Option(help="Choose this level: head_surface, mid_head, high_neck, low_neck.")
    ] = None,
    data: Data = None,
    today: Today = None,
    who: Who = None,
    as_json: Json = False,
) -> None:
    """Compare the cut levels of a hip; with --choose, choose one."""
    from headstock.desk import compare as desk_compare
    from headstock.desk.desk import reader

    with _desk(data) as desk:
        now = _clock(today)()
        if choose is not None:
            page = desk_compare.choose(desk, hip, _level(choose), who=who or reader(desk), now=now)
        else:
            page = desk_compare.comparison(desk, hip, today=now.date())

    def text() -> str:
        lines = [page.finding, *([page.first] if page.first else [])]
        for level in page.levels:
            counts = ", ".join(f"{count} {state.replace('_', ' ')}" for state, count in level.counts.items() if count)
            lines.append(
                f"\n{level.title}: {level.family_words}{' (chosen)' if level.placement.level == page.chosen else ''}"
            )
            lines.append(f"  {counts}. {level.binding or ''}")
            lines += [f"  {_line_text(line)}" for line in level.lines if line.number.key in page.rows]
        lines += [f"\n{row.name}: {row.text}" for row in page.left_out]
        lines += ["", *(f"Caution: {caution.text} ({caution.source})" for caution in page.cautions), page.scale_words]
        return "\n".join(lines)

    _out(page, as_json, text)


def _line_text(line: Any) -> str:
    number = line.number
    if line.text is not None:
        return f"{number.label:38} {line.text}"
    if number.value is None:
        return f"{number.label:38} not known: {number.reason}"
    ends = "by " + number.kind.removeprefix("by_") if number.low is None else f"{number.low:.2f} to {number.high:.2f}"
    state = (
        ""
        if line.limit is None or line.limit.state == "none"
        else f"  {line.limit.state.replace('_', ' ')} ({line.limit.words})"
    )
    return f"{number.label:38} {number.value:9.2f} {written(number.unit):4} {ends}{state}"


def _level(text: str) -> str:
    from headstock.implants import CutLevel

    if text not in set(CutLevel):
        raise RecordError(f"“{text}” is no cut level. They are {', '.join(CutLevel)}.")
    return text


@app.command()
def place(
    hip: str,
    placement: Annotated[
        Path | None, typer.Option(help="A placement as JSON; without it the best of the chosen level.")
    ] = None,
    level: Annotated[str | None, typer.Option(help="Best placement of this level.")] = None,
    size: str | None = None,
    family: str | None = None,
    leg_mm: Annotated[
        float | None, typer.Option(help="Difference of leg length aimed for, operated minus other, mm.")
    ] = None,
    offset_mm: Annotated[float | None, typer.Option(help="Difference of offset aimed for, mm.")] = None,
    show: Annotated[bool, typer.Option(help="Only show; keep nothing.")] = False,
    data: Data = None,
    today: Today = None,
    who: Who = None,
    as_json: Json = False,
) -> None:
    """Place a component on a hip and keep it."""
    from headstock.desk import place as desk_place
    from headstock.desk.desk import reader
    from headstock.desk.pages import PlacementIn, PlacementSave, TargetIn

    with _desk(data) as desk:
        now, by = _clock(today)(), who or reader(desk)
        if leg_mm is not None or offset_mm is not None:
            desk_place.set_target(
                desk, hip, TargetIn(leg_mm=leg_mm or 0.0, offset_mm=offset_mm or 0.0), who=by, now=now
            )
        if level is not None or size is not None or family is not None:
            chosen = level or desk_place.placement_page(desk, hip, today=now.date()).appraisal.placement.level
            page = desk_place.best_again(desk, hip, _level(chosen), family=family, size=size, who=by, now=now)
        else:
            page = desk_place.placement_page(desk, hip, today=now.date())
        if not show and level is None and size is None and family is None:
            given = page.appraisal.placement
            if placement is not None:
                try:
                    plain = json.loads(placement.read_bytes())
                    given = PlacementIn.model_validate(plain.get("appraisal", {}).get("placement", plain))
                except (OSError, ValueError, AttributeError):
                    raise RecordError(
                        f"The placement file “{placement.name}” cannot be read. `place HIP --show --json` writes one."
                    ) from None
            save = PlacementSave(placement=given, base_step=page.step, what="placed on the command line")
            page = desk_place.keep_placement(desk, hip, save, who=by, now=now)
        _out(
            page,
            as_json,
            lambda: "\n".join(
                [
                    f"{page.appraisal.title}: {page.appraisal.family_words}",
                    *(f"  {_line_text(x)}" for x in page.appraisal.lines),
                ]
            ),
        )


@app.command()
def sign(
    hip: str,
    signer: Annotated[str, typer.Option(help="Who signs.")],
    side: Annotated[str, typer.Option(help="The side, typed by hand: left or right.")],
    operation: Annotated[str, typer.Option(help="Day of the operation, YYYY-MM-DD.")],
    reason: Annotated[
        list[str] | None, typer.Option(help="Why a limit is overruled: KEY=WORDS; may be repeated.")
    ] = None,
    fall_back: Annotated[str | None, typer.Option(help="Deeper cut level to fall back to.")] = None,
    note: str = "",
    data: Data = None,
    today: Today = None,
    as_json: Json = False,
) -> None:
    """Sign the placement of a hip as it stands."""
    from headstock.desk import sign as desk_sign
    from headstock.desk.pages import SignIn

    try:
        day = date.fromisoformat(operation)
    except ValueError:
        raise RecordError(f"“{operation}” is no day. Write it as YYYY-MM-DD.") from None
    reasons = dict(pair.partition("=")[::2] for pair in reason or [])
    given = SignIn(
        signer=signer,
        side_typed=side,
        operation_date=day,
        reasons=reasons,
        fall_back=None if fall_back is None else _level(fall_back),  # type: ignore[arg-type]
        note=note,
    )
    with _desk(data) as desk:
        page = desk_sign.sign_plan(desk, hip, given, now=_clock(today)())
    plan = page.plan
    assert plan is not None
    _out(
        plan,
        as_json,
        lambda: f"Signed: {plan.words}, version {plan.version}, plan {plan.plan_id}, hash {plan.hash[:16]}",
    )


@app.command()
def sheet(
    what: Annotated[str, typer.Argument(help="A signed plan's id, or a hip's id for its newest plan.")],
    out: Annotated[Path, typer.Option("--out", "-o", help="PDF to write.")] = Path("theatre-sheet.pdf"),
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    draft: Annotated[bool, typer.Option(help="The placement as it stands, DRAFT across every page.")] = False,
    data: Data = None,
    today: Today = None,
    as_json: Json = False,
) -> None:
    """Write the theatre sheet as PDF."""
    from headstock.desk import sign as desk_sign

    with _desk(data) as desk:
        now = _clock(today)()
        if draft:
            pdf = desk_sign.draft_sheet(desk, what, paper, now=now)
        else:
            pdf = desk_sign.signed_sheet(desk, desk_sign.newest_plan(desk, what), paper, now=now)
    out.write_bytes(pdf)
    _out({"file": out.name, "bytes": len(pdf), "draft": draft}, as_json, lambda: f"Written: {out}")


# ---- phantom, verify, bench ----------------------------------------------------------------------------------


@app.command()
def phantom(
    folder: Path,
    cases: Annotated[int, typer.Option(help="How many commissioning cases.")] = 6,
    seed: int = 1,
    scans: Annotated[bool, typer.Option("--scans", help="A CT of each, with its true labels.")] = False,
    as_json: Json = False,
) -> None:
    """Write invented patients with known truth, to try an installation on."""
    from headstock.phantom import write_cases

    written = []
    for case in write_cases(cases, seed, folder, scans=scans):
        written.append({"number": case.number, "side": case.side.value, "scenario": case.scenario})
        if not as_json:
            _print(f"{case.number}  {case.side.value}")
    _out({"cases": written}, as_json, lambda: f"{len(written)} cases written.")


@app.command()
def verify(
    table: Annotated[Path | None, typer.Option(help="Table of check values; the packaged one when absent.")] = None,
    as_json: Json = False,
) -> None:
    """Hold outside check values against the public functions."""
    from headstock.desk import verify as desk_verify

    text = None
    if table is not None:
        try:
            text = table.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            raise RecordError(f"The table “{table.name}” cannot be read. Check the path.") from None
    report = desk_verify.verify(text)
    rows = [asdict(result) for result in report.results]
    plain = {"counts": report.counts, "unknown_topics": report.unknown_topics, "rows": rows}

    def words() -> str:
        lines = [
            f"{row['outcome']:13} {row['topic']:32} {row['expected']:>14} got {row['got']:>14}  {row['source']}"
            for row in rows
        ]
        unknown = ", ".join(f"{topic} ({count})" for topic, count in report.unknown_topics.items())
        lines.append(", ".join(f"{count} {name}" for name, count in report.counts.items()))
        return "\n".join([*lines, *([f"Unknown topics: {unknown}"] if unknown else [])])

    _out(plain, as_json, words)
    if not report.passed:
        raise typer.Exit(1)


@app.command()
def bench(
    quick: Annotated[bool, typer.Option(help="A tenth of the films: to see that it runs, not to quote.")] = False,
    patients: Annotated[Path | None, typer.Option(help="Folder with the supplied patients' zips.")] = None,
    part: Annotated[list[str] | None, typer.Option(help="Only this part; may be repeated.")] = None,
    as_json: Json = False,
) -> None:
    """Measure accuracy and speed on this machine, with its description."""
    from headstock.desk.bench.run import PARTS, run

    parts = tuple(part) if part else PARTS
    report = run(quick=quick, patients=patients, parts=parts, tell=None if as_json else _print)
    if as_json:
        _out(report, True, str)
