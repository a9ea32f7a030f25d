"""The volume of a scan of the record, decoded and kept for a while."""

from headstock.desk.desk import Desk
from headstock.desk.limits import limits_in_force
from headstock.desk.scans.coarse import scan_limits
from headstock.images.scan import Scan
from headstock.images.scan_limits import ScanLimits
from headstock.images.scan_read import scan_of_files
from headstock.records.tables import ScanRow

__all__ = ["kept_under", "volume"]


def kept_under(content: str, limits: ScanLimits, modality: str) -> str:
    """The name under which a volume is kept in memory: its files, what they are, the limits its findings rest on."""
    return f"{content} {modality} {limits}"


def volume(desk: Desk, row: ScanRow) -> Scan:
    """The scan's volume, from the vault; every file checked against its address; judged by the limits in force."""
    limits = scan_limits(limits_in_force(desk))
    found: Scan = desk.scans.get(
        kept_under(row.content_sha256, limits, row.modality),
        lambda: scan_of_files(
            [desk.store.vault.get(address) for address in row.files],
            limits=limits,
            modality="CT" if row.modality == "CT" else "MR",
        ),
    )
    return found
