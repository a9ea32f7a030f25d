"""Which hip a scan is opened for."""

from sqlalchemy.orm import Session

from headstock.errors import GuardError
from headstock.records.people import hip as hip_row
from headstock.records.people import hips_of
from headstock.records.tables import HipRecord, ScanRow

__all__ = ["hip_of_scan"]


def hip_of_scan(session: Session, row: ScanRow, hip_id: str | None) -> HipRecord:
    """The hip a scan is opened for: the one named, else its own side, else the one under study.

    Raises
    ------
    GuardError
        The named hip is another patient's.
    """
    hips = hips_of(session, row.patient_id)
    if hip_id is not None:
        hip = hip_row(session, hip_id)
        if hip.patient_id != row.patient_id:
            raise GuardError(
                "This scan belongs to another patient than this hip. Nothing was opened. Open it from its own hip.",
                "wrong patient",
            )
        return hip
    studied = [hip for hip in hips if hip.under_study] or hips
    return next((hip for hip in hips if hip.side == row.side), studied[0])
