"""Published laws from bone density to elastic modulus and strength, strain limits, and micromotion at an interface.

In: density in g/cm3, ash or apparent as the law says. Out: MPa. Between 0.3 and 1 g/cm3 the laws differ up to
tenfold, so a result is shown over several of them (docs/bone-law.md).
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from headstock.errors import TooFewError

__all__ = [
    "LAWS",
    "MICROMOTION_SOURCE",
    "STRAIN_LIMITS",
    "BoneLaw",
    "elastic_modulus_MPa",
    "micromotion_class",
    "ratio_percent",
    "strength_MPa",
]

Floats = NDArray[np.float64]
Which = Literal["ash", "apparent"]


@dataclass(frozen=True, slots=True)
class BoneLaw:
    """E = `factor` * density ** `power` + `plus` in MPa, in pieces: each holds up to its density in g/cm3.

    `density`: which density it takes. `status`: "published" (seen in public code or pages that cite the paper) or
    "from memory".
    """

    density: Which
    pieces: tuple[tuple[float, float, float, float], ...]  # up to g/cm3, factor, power, plus
    source: str
    status: Literal["published", "from memory"]


def _power(
    density: Which, factor: float, power: float, source: str, status: Literal["published", "from memory"]
) -> BoneLaw:
    return BoneLaw(density, ((np.inf, factor, power, 0.0),), source, status)


_MORGAN: Final = "Morgan, Bayraktar & Keaveny, J Biomech 2003;36:897"
_CARTER: Final = "Carter & Hayes, J Bone Joint Surg Am 1977;59:954, E = 3790 rate^0.06 density^3"
_WIRTZ: Final = "Wirtz et al. J Biomech 2000;33:1325"
_KELLER: Final = "Keller, J Biomech 1994;27:1159"
_KEYAK: Final = BoneLaw(
    "ash",
    ((0.27, 33900.0, 2.20, 0.0), (0.6, 5307.0, 1.0, 469.0), (np.inf, 10200.0, 2.01, 0.0)),
    "Keyak et al. J Biomech 1998;31:125, as printed in Table 1 of PMC6069821 (J Orthop Surg Res 2018;13:192)",
    "published",
)
LAWS: Final[dict[str, BoneLaw]] = {
    "morgan2003_neck": _power("apparent", 6850.0, 1.49, _MORGAN, "published"),
    "morgan2003_trochanter": _power("apparent", 15010.0, 2.18, _MORGAN, "published"),
    "morgan2003_tibia": _power("apparent", 15490.0, 1.93, _MORGAN, "published"),
    "morgan2003_vertebra": _power("apparent", 4730.0, 1.56, _MORGAN, "published"),
    "morgan2003_pooled": _power("apparent", 8920.0, 1.83, _MORGAN, "published"),
    "keller1994_femur": _power("ash", 10500.0, 2.29, _KELLER, "published"),
    "keller1994_pooled": _power(
        "ash", 10500.0, 2.57, f"{_KELLER}; the exponent is printed 2.57 and 2.51 in different places", "from memory"
    ),
    "carterhayes1977_rate1": _power("apparent", 3790.0, 3.0, f"{_CARTER}, at 1 per second", "published"),
    "carterhayes1977_rate0.01": _power(
        "apparent", 3790.0 * 0.01**0.06, 3.0, f"{_CARTER}, at 0.01 per second", "published"
    ),
    "wirtz2000_cancellous_axial": _power("apparent", 1904.0, 1.64, _WIRTZ, "published"),
    "wirtz2000_cortical_axial": _power("apparent", 2065.0, 3.09, _WIRTZ, "published"),
    "keyak1998_piecewise": _KEYAK,
    "keyak_piecewise": _KEYAK,
    "keller_vertebra": _power(
        "ash", 1890.0, 1.92, f"{_KELLER}, vertebra, as printed in Table 1 of PMC6069821", "published"
    ),
}
_STRENGTH: Final[dict[str, tuple[Which, float, float, str]]] = {
    "keller_vertebra": ("ash", 284.0, 2.27, f"{_KELLER}, vertebra, as printed in Table 1 of PMC6069821"),
    "keller1994_pooled": ("ash", 117.0, 1.93, f"{_KELLER}, as printed in Table 1 of PMC6069821"),
}
# Limits of principal strain: Schileo et al. J Biomech 2014; Bayraktar et al. 2004 (Baleani 2024: 0.82 % in tension).
STRAIN_LIMITS: Final[dict[str, float]] = {"tension": 0.0073, "compression": 0.0104}
MICROMOTION_SOURCE: Final = "Jasty et al. J Bone Joint Surg Am 1997;79:707 (dog: 0, 20, 40, 150 um)"
_CONTINUOUS_UM, _FIBROUS_UM = 20.0, 150.0


def _law(name: str) -> BoneLaw:
    if name not in LAWS:
        raise TooFewError(f"No bone law is called {name}. The laws are {', '.join(LAWS)}.")
    return LAWS[name]


def _density(name: str, wants: Which, rho_app_g_cm3: ArrayLike | None, rho_ash_g_cm3: ArrayLike | None) -> Floats:
    given = rho_app_g_cm3 if wants == "apparent" else rho_ash_g_cm3
    other = rho_ash_g_cm3 if wants == "apparent" else rho_app_g_cm3
    if given is None or other is not None:
        raise TooFewError(
            f"{name} takes {wants} density, and the other one was given. They differ by a factor of about 0.6: "
            "convert it first, do not mix them."
        )
    rho = np.asarray(given, np.float64)
    if np.any(rho < 0.0) or not np.all(np.isfinite(rho)):
        raise TooFewError("A density below zero, or none at all, has no stiffness. Check the calibration.")
    return rho


def elastic_modulus_MPa(
    law: str, rho_app_g_cm3: ArrayLike | None = None, rho_ash_g_cm3: ArrayLike | None = None
) -> Floats:
    """Elastic modulus, MPa, by a named law, of the density it takes.

    Raises
    ------
    TooFewError
        No such law, the other density was given, or a density cannot be.
    """
    found = _law(law)
    rho = _density(law, found.density, rho_app_g_cm3, rho_ash_g_cm3)
    out = np.empty_like(rho)
    low = -np.inf
    for upto, factor, power, plus in found.pieces:
        here = (rho > low) & (rho <= upto)
        out = np.where(here, factor * np.where(here, rho, 1.0) ** power + plus, out)
        low = upto
    return np.asarray(out)


def strength_MPa(law: str, rho_ash_g_cm3: ArrayLike) -> Floats:
    """Compressive strength, MPa, of ash density.

    Raises
    ------
    TooFewError
        No such law, or a density cannot be.
    """
    if law not in _STRENGTH:
        raise TooFewError(f"No law of strength is called {law}. There are {', '.join(_STRENGTH)}.")
    wants, factor, power, _ = _STRENGTH[law]
    return np.asarray(factor * _density(law, wants, None, rho_ash_g_cm3) ** power)


def micromotion_class(um: float) -> str:
    """What grew at an interface that moved this far each cycle, um. Bands of one study in dogs, no universal limit."""
    if um < 0.0:
        raise TooFewError("A motion below zero cannot be. Give its size in micrometres.")
    if um <= _CONTINUOUS_UM:
        return "bone in continuity"
    return "fibrous" if um >= _FIBROUS_UM else "mixed"


def ratio_percent(osteointegrated_um: float, not_um: float) -> float:
    """Micromotion of parts that grew in, of that of parts that did not, % (Kohli et al. Sci Rep 2021;11:10797)."""
    if not_um <= 0.0:
        raise TooFewError("The motion of parts that did not grow in must be above zero.")
    return 100.0 * osteointegrated_um / not_um
