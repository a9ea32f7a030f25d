"""A marker ball clicked on the supplied films gives the scale of its own depth. Truth: tests/data/hips/*.zip."""

import numpy as np
import pytest

from headstock.anatomy.snap.ball import snap_ball
from headstock.desk.limits import limits_shipped
from headstock.desk.scales import scales_of
from headstock.images import bright_is_dense, read_film

from .supplied import NAMES, ball_of, films_of, truth_of


@pytest.mark.parametrize("name", NAMES)
def test_a_clicked_ball_gives_the_scale_of_its_depth_without_a_second_correction(name, tmp_path):
    truth = truth_of(name)
    film = read_film(films_of(name, tmp_path)["ap_pelvis"].read_bytes())
    found = snap_ball(bright_is_dense(film), np.add(ball_of(truth), (9.0, -7.0)))
    ball = truth["film"]["marker_ball"]
    inputs = {"ball": {"circle": list(found.circle), "sd_px": 0.1, "diameter_mm": ball["true_diameter_mm"]}}
    scale = scales_of(film.header, inputs, limits_shipped(), chosen="ball", settled_by="a reader").in_use
    # 0.2 px of about 119: the number asked of the snap. A correction made twice would be off by 0.6 %.
    assert scale.mm_per_px == pytest.approx(ball["true_diameter_mm"] / ball["image_diameter_px"], rel=0.2 / 118)
