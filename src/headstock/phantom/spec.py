"""What a phantom patient is made from: plain values with units, no geometry.

Directions in the head are given in the hip frame (x medial, y anterior, z
proximal): a direction tilted `anterior_deg` forward and `medial_deg` inward
from straight up. Signs are stated on each field.
"""

from dataclasses import dataclass, field, replace
from typing import Final, Literal

from headstock.errors import FrameError
from headstock.frames import Side

__all__ = ["Cyst", "DeadSector", "FilmSpec", "HipSpec", "MetalHip", "PhantomSpec", "PlateAndScrews", "View"]

View = Literal["ap_pelvis", "ap_hip", "lateral_hip"]

JOINT_SPACE_MM: Final = 3.2  # in the range of healthy adults on films; common practice, no source
_WIDEST_JOINT_MM: Final = 12.0


@dataclass(frozen=True, slots=True)
class DeadSector:
    """A dead sector of the head with a sclerotic rim (osteonecrosis).

    `half_angle_deg`: half-angle, seen from the head centre, of the surface
    involved. `depth_mm`: greatest depth below the surface of the head.
    `collapse_mm`: how far the sector's pole has sunk below the sphere of the head.
    `crescent`: a lucent line under the subchondral plate.
    """

    half_angle_deg: float = 45.0
    depth_mm: float = 16.0
    anterior_deg: float = 25.0
    medial_deg: float = 5.0
    rim_mm: float = 1.6
    density_share: float = 0.55
    collapse_mm: float = 0.0
    crescent: bool = False


@dataclass(frozen=True, slots=True)
class Cyst:
    """A fluid-filled hole with a thin sclerotic rim, its roof `cover_mm` below the surface of the head."""

    diameter_mm: float = 12.0
    cover_mm: float = 3.5
    anterior_deg: float = 15.0
    medial_deg: float = 0.0
    rim_mm: float = 1.0


@dataclass(frozen=True, slots=True)
class PlateAndScrews:
    """Metal of an earlier operation: screws up the neck and, if `plate_mm` > 0, a plate on the lateral shaft."""

    neck_screws: int = 2
    screw_mm: float = 6.0
    plate_mm: float = 0.0
    shaft_screws: int = 0


@dataclass(frozen=True, slots=True)
class MetalHip:
    """An invented replaced hip: cup, ball and stem as bodies of revolution; the head and neck are gone."""

    ball_mm: float = 32.0
    cup_mm: float = 50.0


@dataclass(frozen=True, slots=True)
class HipSpec:
    """One hip of the phantom.

    Scales are ratios; `varus_deg` positive turns head and neck down (the neck-shaft angle, measured
    at the neck's waist, falls by that within 15 %); `trochanter_rise_mm` lifts the tip.
    `internal_rotation_deg`, `abduction_deg` and `flexion_deg` are those of the femur
    against the table, from a neutral pose (mechanical axis and knee straight ahead).
    `joint_space_mm`: of the socket from the sphere of the head. Below 1.2 mm it is also the least gap between the
    bones: heads of real shape stand above their sphere in places, and with 0 they touch the socket there.
    """

    femur_scale: float = 1.0
    head_scale: float = 1.0
    neck_shortening_mm: float = 0.0
    varus_deg: float = 0.0
    trochanter_rise_mm: float = 0.0
    internal_rotation_deg: float = 10.0
    abduction_deg: float = 0.0
    flexion_deg: float = 0.0
    joint_space_mm: float = JOINT_SPACE_MM
    sector: DeadSector | None = None
    cysts: tuple[Cyst, ...] = ()
    metal: PlateAndScrews | MetalHip | None = None

    def __post_init__(self) -> None:
        if not 0.0 <= self.joint_space_mm <= _WIDEST_JOINT_MM:
            raise FrameError(
                f"A joint space of {self.joint_space_mm} mm cannot be: below 0 the femur would stand in the pelvis, "
                f"above {_WIDEST_JOINT_MM:.0f} mm the head would have left its socket. Give 0 (touching) to "
                f"{_WIDEST_JOINT_MM:.0f} mm."
            )

    @property
    def lesions(self) -> bool:
        """True when something is wrong inside the head."""
        return self.sector is not None or bool(self.cysts)


@dataclass(frozen=True, slots=True)
class PhantomSpec:
    """One phantom patient.

    `shape_sd`: weights of the shape model in standard deviations.
    `pelvis_tilt_deg` positive tilts the spines forward; `pelvis_rotation_deg` positive
    turns the front toward the patient's left; `pelvis_obliquity_deg` positive lifts the
    left side. `mirrored` makes the mirror image of the same anatomy.
    `spherical_heads` replaces each head by an exact sphere blended into its neck.
    """

    name: str = "PHANTOM"
    shape_sd: tuple[float, ...] = ()
    side: Side = Side.RIGHT
    right: HipSpec = field(default_factory=HipSpec)
    left: HipSpec = field(default_factory=HipSpec)
    pelvis_tilt_deg: float = 0.0
    pelvis_rotation_deg: float = 0.0
    pelvis_obliquity_deg: float = 0.0
    mirrored: bool = False
    spherical_heads: bool = False

    def hip(self, side: Side) -> HipSpec:
        """The hip of this side."""
        return self.right if side is Side.RIGHT else self.left

    def mirror(self) -> "PhantomSpec":
        """The mirror image: sides exchanged, rotation and obliquity reversed."""
        return replace(
            self,
            side=self.side.other,
            right=self.left,
            left=self.right,
            pelvis_rotation_deg=-self.pelvis_rotation_deg,
            pelvis_obliquity_deg=-self.pelvis_obliquity_deg,
            mirrored=not self.mirrored,
        )


@dataclass(frozen=True, slots=True)
class FilmSpec:
    """How a film of the phantom is taken.

    `hip_to_detector_mm`: from the head centre of the side under study, along
    the beam's central ray. The marker ball lies `ball_toward_source_mm` nearer to the
    source than that head (negative: nearer to the detector). `ball_at_mm`: its place
    (lateral, proximal) from the head centre on AP films, (proximal, anterior) on lateral
    films, mm at the ball; None puts it beside the thigh. `noise` scales the quantum noise
    (1: a usual exposure, 0: none).
    """

    view: View = "ap_pelvis"
    rows: int = 1720
    columns: int = 1720
    pixel_mm: float = 0.25
    source_detector_mm: float = 1150.0
    hip_to_detector_mm: float = 175.0
    ball_mm: float | None = 25.0
    ball_toward_source_mm: float = 0.0
    ball_at_mm: tuple[float, float] | None = None
    letters: bool = True
    letter_side: Side | None = None
    body_mm: float = 210.0
    noise: float = 1.0
    seed: int = 0

    def __post_init__(self) -> None:
        if not 0.0 < self.hip_to_detector_mm < self.source_detector_mm:
            raise FrameError(
                f"The hip lies {self.hip_to_detector_mm} mm from a detector that is {self.source_detector_mm} mm from "
                "the source, so no ray can reach it. Give a hip-to-detector distance inside that range."
            )
        if self.rows < 8 or self.columns < 8 or self.pixel_mm <= 0.0:
            raise FrameError(
                f"A film of {self.rows} x {self.columns} pixels of {self.pixel_mm} mm shows nothing. Give at least "
                "8 x 8 pixels of a positive size."
            )
