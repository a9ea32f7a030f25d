"""A hip read beside the metal of the other one: the page and the command line say it where each measure stands."""

import json
import re

import numpy as np
import pytest

from headstock.desk.desk import open_desk
from headstock.desk.scans import loose, stock
from headstock.desk.scans.page import scan_page
from headstock.desk.scans.reading import find_outlines
from headstock.desk.scans.volume import volume
from headstock.frames import Side
from headstock.phantom.scan import phantom_ct
from headstock.phantom.scan_spec import ScanSpec
from headstock.phantom.series import series_files
from headstock.phantom.spec import Cyst, HipSpec, MetalHip, PhantomSpec
from headstock.records.scans import scan as scan_row

from .scan_case import NOW, TODAY, bring, case_of


@pytest.fixture(scope="module")
def beside(tmp_path_factory):
    """A left hip with a cyst beside a replaced right one, read in a record: (desk, scan, hip)."""
    spec = PhantomSpec(
        side=Side.LEFT, left=HipSpec(cysts=(Cyst(diameter_mm=15.0),)), right=HipSpec(metal=MetalHip(ball_mm=36.0))
    )
    field = ScanSpec(region="pelvis", spacing_mm=(1.5, 1.5, 1.5), cells=1, above_mm=40.0, below_mm=118.0)
    desk = open_desk(tmp_path_factory.mktemp("beside") / "data")
    (line,) = bring(desk, series_files(phantom_ct(spec, field)))
    find_outlines(desk, line.scan_id, line.hip_id, None, lambda _share, _words: None, who="A", now=NOW)
    yield desk, line.scan_id, line.hip_id
    desk.close()


def share(note):
    """The first share a note gives, %."""
    return float(re.match(r"(\d+) %", note)[1])


def test_the_page_says_beside_each_measure_what_of_it_metal_reaches(beside):
    desk, scan, hip = beside
    page = scan_page(desk, scan, hip, today=TODAY)
    note = {n.key: n.note for n in page.numbers}
    # The other ball's streaks reach along its slices into this head, and no lower than that ball.
    assert 5.0 < share(note["head_diameter_mm"]) < 99.0
    assert "the head's sphere" in note["femoral_offset_mm"]
    assert "the dead bone" in note["volume_cm3"]
    assert "the dead bone" in page.lesions[0].volume.note
    assert "the head's bone" in note["share_of_head_percent"]
    assert note["smallest_neck_section_mm2"] is None
    assert ("metal_streaks", "warn") in [(one.code, one.weight) for one in page.findings]


def test_the_stock_page_marks_the_depths_that_metal_reaches(beside):
    desk, _, hip = beside
    page = stock.stock_page(desk, hip, today=TODAY)
    marked = [row.marked_percent for row in page.rows if row.depth_mm > 1.0]
    assert marked[0] > 90.0
    assert marked[-1] == 0.0
    assert "within reach of the streaks of metal" in page.density_words
    assert share(page.sound_from.note) == pytest.approx(np.mean([row.marked_percent for row in page.rows]), abs=1.0)
    for level in page.levels:
        here = min(page.rows, key=lambda row, cut=level.depth.value: abs(row.depth_mm - cut)).marked_percent
        (sound,) = [line.number for line in level.lines if line.number.key == "section_sound_percent"]
        assert (sound.note is not None) == (here > 0.0), level.level


def test_the_same_from_files_is_in_the_json_of_the_command_line(beside):
    desk, scan, hip = beside
    with desk.store.session() as session:
        found = loose.read_series(volume(desk, scan_row(session, scan)), Side.LEFT)
    page = scan_page(desk, scan, hip, today=TODAY)
    measures = json.loads(json.dumps(loose.series_json(found)))["measures"]
    for n in page.numbers:
        if n.key in measures:
            assert measures[n.key]["note"] == n.note
    profile = loose.stock_json(found)
    assert max(profile["within_streaks_of_metal_percent"]) == 100.0
    assert profile["note"] is not None


def test_a_hip_without_metal_says_nothing_of_it(tmp_path_factory):
    case = case_of(tmp_path_factory)
    page = scan_page(case.desk, case.scan, case.hip, today=TODAY)
    assert {n.note for n in page.numbers} == {None}
    rows = stock.stock_page(case.desk, case.hip, today=TODAY).rows
    assert {row.marked_percent for row in rows} == {0.0}
