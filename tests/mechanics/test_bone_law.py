"""Bone laws against the values their papers give, and against mixing densities."""

from itertools import pairwise

import numpy as np
import pytest

from headstock.errors import TooFewError
from headstock.mechanics import LAWS, elastic_modulus_MPa, micromotion_class, strength_MPa


@pytest.mark.parametrize(
    ("law", "density", "want"),
    [
        ("morgan2003_neck", 0.3, 1139.2),  # Morgan et al. J Biomech 2003;36:897
        ("morgan2003_trochanter", 1.0, 15010.0),
        ("wirtz2000_cortical_axial", 1.8, 12697.0),  # Wirtz et al. J Biomech 2000;33:1325
        ("carterhayes1977_rate0.01", 0.6, 621.0),  # Carter & Hayes 1977
        ("keyak1998_piecewise", 0.2, 982.8),  # PMC6069821 Table 1
        ("keyak1998_piecewise", 0.8, 6513.4),
    ],
)
def test_a_law_gives_what_its_paper_gives(law: str, density: float, want: float) -> None:
    given = {"rho_ash_g_cm3" if LAWS[law].density == "ash" else "rho_app_g_cm3": density}
    assert float(elastic_modulus_MPa(law, **given)) == pytest.approx(want, rel=2e-4)


@pytest.mark.parametrize("law", sorted(LAWS))
def test_denser_bone_is_stiffer_within_every_piece(law: str) -> None:
    rho = np.linspace(0.05, 1.9, 200)
    given = {"rho_ash_g_cm3" if LAWS[law].density == "ash" else "rho_app_g_cm3": rho}
    rise = np.diff(elastic_modulus_MPa(law, **given))
    ends = [upto for upto, *_ in LAWS[law].pieces if np.isfinite(upto)]
    inside = np.array([not any(a < end <= b for end in ends) for a, b in pairwise(rho)])
    assert np.all(rise[inside] > 0.0)


def test_the_other_density_is_refused_and_not_converted() -> None:
    with pytest.raises(TooFewError, match="do not mix"):
        elastic_modulus_MPa("morgan2003_neck", rho_ash_g_cm3=0.3)
    with pytest.raises(TooFewError, match="No bone law"):
        elastic_modulus_MPa("guess", rho_app_g_cm3=0.3)
    with pytest.raises(TooFewError, match="below zero"):
        strength_MPa("keller1994_pooled", -0.1)


def test_micromotion_bands_own_their_edges() -> None:
    # Jasty et al. 1997: 20 um continuous bone, 40 mixed, 150 fibrous.
    assert [micromotion_class(um) for um in (0.0, 20.0, 40.0, 150.0)] == [
        "bone in continuity",
        "bone in continuity",
        "mixed",
        "fibrous",
    ]
