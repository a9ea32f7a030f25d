"""The volume of a scan of the record, decoded and kept for a while."""

from headstock.desk.desk import Desk
from headstock.images.scan import Scan
from headstock.images.scan_read import scan_of_files
from headstock.records.tables import ScanRow

__all__ = ["volume"]


def volume(desk: Desk, row: ScanRow) -> Scan:
    """The scan's volume, from the vault; every file checked against its address."""
    found: Scan = desk.scans.get(
        row.content_sha256, lambda: scan_of_files([desk.store.vault.get(address) for address in row.files])
    )
    return found
