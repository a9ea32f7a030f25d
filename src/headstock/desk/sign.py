"""The signature: not part of this build yet, and says so."""

from typing import Any

from headstock.errors import TooFewError


def _no(*_: Any, **__: Any) -> Any:
    raise TooFewError("Signing is not part of this build yet.")


signature_page = sign_plan = draft_sheet = signed_sheet = _no
