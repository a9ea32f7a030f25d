"""The whole job from the command line: a hospital's zip to a signed plan and a theatre sheet."""

import json
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from headstock.cli import app
from headstock.errors import HeadstockError

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "desk"))
from supplied import DAY, HIPS, NAMES, ball_of, films_of, landmarks_of, truth_of

RUN = CliRunner()


class Line:
    """The command line on one data folder, on the day of the supplied studies."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __call__(self, *words: str) -> Any:
        extra = ["--data", str(self.folder), "--today", DAY, "--json"]
        result = RUN.invoke(app, [*words, *extra])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code == 0, result.output
        return json.loads(result.stdout)


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_a_supplied_patient_goes_from_zip_to_sheet(name: str, tmp_path: Path):
    line, truth = Line(tmp_path / "data"), truth_of(name)
    side = truth["side"]

    brought = line("import", str(HIPS / f"{name}.zip"))
    outcomes = [row["outcome"] for row in brought["lines"]]
    assert outcomes.count("imported") == 3
    assert any("180 slices" in row["says"] for row in brought["lines"])  # the CT is a scan of this patient
    again = line("import", str(HIPS / f"{name}.zip"))
    assert [row["outcome"] for row in again["lines"]].count("already_here") == 3

    rows = [row for group in line("hips")["groups"] for row in group["rows"]]
    hip = next(row for row in rows if row["side"] == side)["hip_id"]
    films = {row["says"].split(" ")[0]: row["film_id"] for row in brought["lines"] if row["film_id"]}
    film = films["AP"]
    # The pelvis film leads to the hip under study, although its own header names no side.
    assert {row["hip_id"] for row in brought["lines"] if row["film_id"]} == {hip}

    # Before anyone looked at the letter, and without a reading, nothing can be placed.
    with pytest.raises(HeadstockError, match="not read yet"):
        line("compare", hip)

    line("film", "side", film, "both", "--right-on-left", "--reader", "Reader A")
    column, row = ball_of(truth)
    panel = line(
        "film",
        "scale",
        film,
        "--ball",
        f"{column + 3},{row - 2}",
        "--marker-mm",
        "25",
        "--settle",
        "--reader",
        "Reader A",
    )
    assert panel["in_use"]["why"]["rows"][0]["text"].startswith("marker ball")

    landmarks = tmp_path / "landmarks.json"
    landmarks.write_text(json.dumps(landmarks_of(truth)))
    read = line("film", "read", film, "--hip", hip, "--landmarks", str(landmarks), "--reader", "Reader A")
    # Lengths follow the ball's scale; the truth states its own at the head. Angles need none.
    theirs = truth["film_measures"]
    ratio = read["scale"]["in_use"]["value"] / theirs["mm_per_pixel_at_head"]
    measures = read["measures"]
    assert measures["leg_length_difference_mm"]["value"] / ratio == pytest.approx(
        theirs["right_minus_left_mm"], abs=0.1
    )
    assert measures[f"{side}.femoral_offset_mm"]["value"] / ratio == pytest.approx(theirs["femoral_offset_mm"], abs=0.1)
    assert measures[f"{side}.neck_shaft_angle_deg"]["value"] == pytest.approx(theirs["neck_shaft_angle_deg"], abs=0.1)

    compared = line("compare", hip)
    assert [level["placement"]["level"] for level in compared["levels"]][-1] == "low_neck"
    assert compared["scale_words"].startswith("AP pelvis film of 9 Nov 2026: marker ball")
    not_known = [x for level in compared["levels"] for x in level["lines"] if x["number"]["kind"] == "missing"]
    assert all(x["number"]["reason"] for x in not_known)
    assert line("compare", hip, "--choose", "high_neck", "--reader", "Surgeon B")["chosen"] == "high_neck"

    placed = line("place", hip, "--reader", "Surgeon B")
    assert (placed["step"], placed["can_undo"]) == (1, True)

    wanted = [
        (x["number"]["key"])
        for x in placed["appraisal"]["lines"]
        if x["limit"] is not None and x["limit"]["state"] == "outside"
    ]
    reasons = [part for key in wanted for part in ("--reason", f"{key}=accepted by the surgeon")]
    words = ("sign", hip, "--signer", "Surgeon B", "--operation", "2026-12-10", "--fall-back", "low_neck", *reasons)
    wrong = "left" if side == "right" else "right"
    with pytest.raises(HeadstockError, match=f"The plan says {side}. Typed was “{wrong}”"):
        line(*words, "--side", wrong)
    if wanted:
        with pytest.raises(HeadstockError, match="not without saying why"):
            line(*words[:8], "--side", side)
    plan = line(*words, "--side", side)
    assert (plan["version"], plan["level"], plan["signed_by"]) == (1, "high_neck", "Surgeon B")

    sheet = tmp_path / "sheet.pdf"
    line("sheet", plan["plan_id"], "--out", str(sheet))
    assert sheet.read_bytes()[:5] == b"%PDF-"
    draft = tmp_path / "draft.pdf"
    line("sheet", hip, "--draft", "--paper", "letter", "--out", str(draft))
    assert draft.read_bytes()[:5] == b"%PDF-"

    assert line("hips")["groups"][0]["rows"][0]["next"]["title"] == "Print the sheet"


@pytest.fixture(scope="module")
def alder(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any], Path]:
    folder = tmp_path_factory.mktemp("film")
    return films_of("alder", folder)["ap_pelvis"], truth_of("alder"), folder


def _read(*words: str) -> Any:
    result = RUN.invoke(app, ["film", "read", *words, "--json"])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return json.loads(result.stdout)


def test_a_film_file_is_read_without_a_database_from_a_point_on_the_ball(alder, monkeypatch):
    film, truth, folder = alder
    monkeypatch.setenv("HEADSTOCK_DATA", str(folder / "never"))
    landmarks = landmarks_of(truth)
    landmarks["points"]["ball"] = [ball_of(truth)[0] + 4, ball_of(truth)[1]]
    path = folder / "point.json"
    path.write_text(json.dumps(landmarks))
    found = _read(str(film), "--landmarks", str(path), "--marker-mm", "25")
    # The ball's own plane, from the truth: detector pixel over the ball's magnification.
    ball = truth["film"]["marker_ball"]
    own_plane = truth["film"]["pixel_mm_at_detector"] / ball["magnification"]
    # 1 %: the ball lies to the side of the beam and is drawn out, which the search takes off.
    assert found["scale"]["in_use"]["value"] == pytest.approx(own_plane, rel=0.01)
    assert found["scale"]["in_use"]["kind_of_scale"] == "ball"
    assert found["measures"]["right.neck_shaft_angle_deg"]["unit"] == "deg"
    assert not (folder / "never").exists()


def test_the_balls_circle_in_the_file_is_used_as_it_is(alder):
    film, truth, folder = alder
    landmarks = landmarks_of(truth)
    landmarks["circles"]["marker_ball"] = [*ball_of(truth), 59.0]
    path = folder / "circle.json"
    path.write_text(json.dumps(landmarks))
    one = _read(str(film), "--landmarks", str(path), "--marker-mm", "25")["scale"]["in_use"]["value"]
    two = _read(str(film), "--landmarks", str(path), "--marker-mm", "50")["scale"]["in_use"]["value"]
    assert two == pytest.approx(2 * one)


def test_a_size_without_a_ball_and_points_of_another_film_are_refused(alder):
    film, truth, folder = alder
    path = folder / "none.json"
    path.write_text(json.dumps(landmarks_of(truth)))
    with pytest.raises(HeadstockError, match="not where it is"):
        _read(str(film), "--landmarks", str(path), "--marker-mm", "25")
    path.write_text(json.dumps(landmarks_of(truth) | {"film_sha256": "0" * 64}))
    with pytest.raises(HeadstockError, match="another film"):
        _read(str(film), "--landmarks", str(path))


def test_without_a_marker_the_header_measures_only_when_asked_and_its_interval_is_wide(alder):
    film, truth, folder = alder
    path = folder / "header.json"
    path.write_text(json.dumps(landmarks_of(truth)))
    found = _read(str(film), "--landmarks", str(path))
    assert found["scale"]["in_use"] is None
    assert found["measures"]["leg_length_difference_mm"]["value"] is None
    assert "hip's depth would be assumed" in found["warnings"][0]
    found = _read(str(film), "--landmarks", str(path), "--header")
    scale = found["scale"]["in_use"]
    assert scale["kind_of_scale"] == "detector_and_distance"
    assert (scale["high"] - scale["low"]) / scale["value"] > 0.05


def test_a_refusal_on_the_command_line_has_the_exceptions_words_and_exit_code_one(tmp_path, monkeypatch, capsys):
    from headstock.cli import main

    monkeypatch.setattr(sys, "argv", ["headstock", "sign", "nobody", "--signer", "A", "--side", "left", "--operation",
                                      "2026-12-10", "--data", str(tmp_path)])  # fmt: skip
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 1
    assert "There is no such hip" in capsys.readouterr().err
    monkeypatch.setattr(sys, "argv", [*sys.argv, "--json"])
    with pytest.raises(SystemExit):
        main()
    assert json.loads(capsys.readouterr().out)["stopped"].startswith("There is no such hip")
