"""The wall of bone that a placement leaves, for the picture in space: one number for each vertex of the femur.

In: a hip planned on a scan, a placement. Out: float32, little-endian, in the order of the femur's mesh
(`/api/scans/{scan}/mesh/femur`). NaN where bone goes away with the cut.
"""

from datetime import date

from headstock.desk.appraisals import placement_from
from headstock.desk.desk import Desk
from headstock.desk.ground import fits_ground
from headstock.desk.pages import PlacementIn
from headstock.desk.scene import scene_of
from headstock.errors import RecordError
from headstock.geometry.mesh import Mesh
from headstock.planning.space.fields import bone_meshes
from headstock.planning.space.wall_map import wall_map

__all__ = ["wall_bytes"]


def wall_bytes(desk: Desk, hip_id: str, given: PlacementIn, *, today: date) -> bytes:
    """What is left of the femur around the part.

    Raises
    ------
    RecordError
        This hip is not planned on a scan, or the placement is one on films.
    """
    scene = scene_of(desk, hip_id, today=today)
    placement = placement_from(given, desk.catalogue)
    if scene.scan is None or not fits_ground(scene, placement):
        raise RecordError(
            "The wall map shows bone of a scan, and this placement was not made on one. Place the part on a scan."
        )
    space = scene.scan.space

    def femur() -> Mesh:
        return bone_meshes(space)["femur"]

    mesh: Mesh = desk.answers.get(("femur", scene.scan.read.basis), femur)
    return wall_map(space, placement, desk.catalogue, mesh.vertices).astype("<f4").tobytes()
