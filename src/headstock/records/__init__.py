"""The record: tables, repositories, audit chain, vault. Knows no HTTP and decides nothing clinical."""

from headstock.records.audit import audit_lines, canonical, check_chain, check_vault, stamp, write_line
from headstock.records.drafts import DraftState, StepConflictError
from headstock.records.plans import SignedPlan, append_plan, plan, plans_of
from headstock.records.store import Store, default_folder
from headstock.records.vault import Vault, sha256_hex

__all__ = [
    "DraftState",
    "SignedPlan",
    "StepConflictError",
    "Store",
    "Vault",
    "append_plan",
    "audit_lines",
    "canonical",
    "check_chain",
    "check_vault",
    "default_folder",
    "plan",
    "plans_of",
    "sha256_hex",
    "stamp",
    "write_line",
]
