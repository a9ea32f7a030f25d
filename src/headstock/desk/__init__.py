"""What a person does, one function an action.

Joins the rooms below, writes the record and the audit line, reads `limits.toml`
and hands limits down as values. Knows no HTTP and no terminal. The clock is
passed in.
"""

from headstock.desk.desk import Desk, open_desk

__all__ = ["Desk", "open_desk"]
