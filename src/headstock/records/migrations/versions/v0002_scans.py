"""Tables of scans and of the outlines found in them."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Go forward; a record is never taken back to older tables."""
    op.create_table(
        "scan",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("patient_id", sa.String(length=32), nullable=False),
        sa.Column("series_uid", sa.String(length=128), nullable=False),
        sa.Column("content_sha256", sa.String(length=64), nullable=False),
        sa.Column("modality", sa.String(length=8), nullable=False),
        sa.Column("taken", sa.Date(), nullable=True),
        sa.Column("side", sa.String(length=8), nullable=True),
        sa.Column("files", sa.JSON(), nullable=False),
        sa.Column("header", sa.JSON(), nullable=False),
        sa.Column("grid", sa.JSON(), nullable=False),
        sa.Column("findings", sa.JSON(), nullable=False),
        sa.Column("calibration", sa.JSON(), nullable=False),
        sa.Column("imported_at", sa.String(length=40), nullable=False),
        sa.ForeignKeyConstraint(["patient_id"], ["patient.id"], name=op.f("fk_scan_patient_id_patient")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_scan")),
        sa.UniqueConstraint("content_sha256", name=op.f("uq_scan_content_sha256")),
        sa.UniqueConstraint("patient_id", "series_uid", name=op.f("uq_scan_patient_id_series_uid")),
    )
    op.create_index(op.f("ix_scan_patient_id"), "scan", ["patient_id"], unique=False)
    op.create_table(
        "scan_use",
        sa.Column("scan_id", sa.String(length=32), nullable=False),
        sa.Column("hip_id", sa.String(length=32), nullable=False),
        sa.Column("used", sa.Boolean(), nullable=False),
        sa.Column("side_seen", sa.String(length=8), nullable=True),
        sa.Column("by", sa.String(length=128), nullable=False),
        sa.Column("at", sa.String(length=40), nullable=False),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name=op.f("fk_scan_use_scan_id_scan")),
        sa.ForeignKeyConstraint(["hip_id"], ["hip.id"], name=op.f("fk_scan_use_hip_id_hip")),
        sa.PrimaryKeyConstraint("scan_id", "hip_id", name=op.f("pk_scan_use")),
    )
    op.create_table(
        "scan_reading",
        sa.Column("scan_id", sa.String(length=32), nullable=False),
        sa.Column("hip_id", sa.String(length=32), nullable=False),
        sa.Column("address", sa.String(length=64), nullable=True),
        sa.Column("seed", sa.JSON(), nullable=True),
        sa.Column("job_id", sa.String(length=32), nullable=True),
        sa.Column("says", sa.Text(), nullable=False),
        sa.Column("made_by", sa.String(length=64), nullable=False),
        sa.Column("at", sa.String(length=40), nullable=False),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name=op.f("fk_scan_reading_scan_id_scan")),
        sa.ForeignKeyConstraint(["hip_id"], ["hip.id"], name=op.f("fk_scan_reading_hip_id_hip")),
        sa.PrimaryKeyConstraint("scan_id", "hip_id", name=op.f("pk_scan_reading")),
    )
