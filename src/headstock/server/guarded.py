"""What stands between the network and the application: who may ask, how much, and what browsers are told.

Loopback is not private: any page in the same browser can send to 127.0.0.1, and
a name of its own can be made to point there. So a foreign Host or Origin is
refused, and so is a change asked for by another site. Bodies are counted while
they arrive. Sources: RFC 9110 7.2 (Host), RFC 6454 7 (Origin), W3C Fetch
Metadata, CSP Level 3.
"""

import json
import logging
import re
import traceback
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from starlette.requests import ClientDisconnect

__all__ = ["Guarded", "Reach"]

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

_log = logging.getLogger("headstock.server")
_LOOPBACK: Final = ("127.0.0.1", "localhost", "[::1]")
_CSP: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
    "font-src 'self'; connect-src 'self'; worker-src 'self' blob:; frame-src 'self'; object-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'self'"
)
_HEADERS: Final = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "SAMEORIGIN",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


@dataclass(frozen=True, slots=True)
class Reach:
    """Who may ask, and how much. `hosts` are names without port; `any_host` only behind a proxy that checks."""

    hosts: tuple[str, ...] = _LOOPBACK
    any_host: bool = False
    json_bytes: int = 8 << 20
    upload_bytes: int = 8 << 30


class Guarded:
    """ASGI middleware around the whole application."""

    def __init__(self, app: App, reach: Reach) -> None:
        self._app, self._reach = app, reach

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or let through with counted body and headers."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        refusal = self._refusal(scope["method"], scope["path"], headers)
        if refusal is not None:
            await _refuse(send, 403, refusal)
            return
        most = self._reach.upload_bytes if scope["path"] == "/api/import" else self._reach.json_bytes
        said = headers.get("content-length", "0")
        if not (said.isascii() and said.isdigit()):
            await _refuse(send, 400, "The request does not say its length as a number. Nothing was changed. Try again.")
            return
        if int(said) > most:
            await _refuse(send, 413, _too_much(most))
            return
        seen = 0

        async def counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > most:
                raise _TooMuchError
            return message

        begun = False

        async def with_headers(message: Message) -> None:
            nonlocal begun
            if seen > most:
                # Whoever read the body may have turned the refusal into an answer of its own: ours stands.
                if not begun:
                    begun = True
                    await _refuse(send, 413, _too_much(most))
                return
            if message["type"] == "http.response.start":
                begun = True
                have = {name.lower() for name, _ in message["headers"]}
                more = dict(_HEADERS)
                is_pdf = any(
                    n.lower() == b"content-type" and v.startswith(b"application/pdf") for n, v in message["headers"]
                )
                # A browser's own PDF page is a script of the browser; a policy meant for ours would keep it blank.
                more["content-security-policy"] = "frame-ancestors 'self'" if is_pdf else _CSP
                if scope["path"].startswith("/api/"):
                    more["cache-control"] = "no-store"
                message["headers"] = [
                    *message["headers"],
                    *((n.encode(), v.encode()) for n, v in more.items() if n.encode() not in have),
                ]
            await send(message)

        try:
            await self._app(scope, counted, with_headers)
        except _TooMuchError:
            if not begun:
                await _refuse(send, 413, _too_much(most))
        except ClientDisconnect:
            return  # nobody is there to be answered
        except Exception as error:
            # Not raised on: the server below would log its text, and a foreign text may hold a person's name.
            where = traceback.extract_tb(error.__traceback__)[-1]
            kind = type(error).__name__
            _log.error("unforeseen %s at %s:%s", kind, Path(where.filename).name, where.lineno)
            if not begun:
                await _refuse(send, 500, _UNFORESEEN.format(kind=kind))

    def _refusal(self, method: str, path: str, headers: dict[str, str]) -> str | None:
        host = _name(headers.get("host", ""))
        if not self._reach.any_host and host not in self._reach.hosts:
            return (
                "This address is not one that headstock serves, so another site may be using it. Nothing was shown. "
                "Open the address that headstock printed when it started."
            )
        origin = headers.get("origin")
        if origin is not None and origin != "null":
            scheme, _, rest = origin.partition("://")
            if scheme not in ("http", "https") or rest != headers.get("host"):
                return _FOREIGN
        from_elsewhere = headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none")
        # Looking counts too: another site's picture or frame must not even have a sheet printed into the audit trail.
        if from_elsewhere and path.startswith("/api/"):
            return _FOREIGN
        if method not in ("GET", "HEAD") and (origin == "null" or from_elsewhere):
            return _FOREIGN
        return None


_FOREIGN: Final = (
    "Another site asked for this, not a page of headstock. Nothing was changed. Close that site, and use headstock's "
    "own page."
)


_UNFORESEEN: Final = (
    "headstock stopped on an error that was not foreseen ({kind}). What was kept before is safe. Load the page again; "
    "if it stops again, report this word."
)


class _TooMuchError(Exception):
    """The body is larger than allowed."""


def _name(host: str) -> str:
    """A Host header without its port; "" for anything that is not a name and at most a port (RFC 9110 7.2)."""
    found = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9.-]+)(:[0-9]*)?", host)
    return found[1].lower() if found else ""


def _too_much(most: int) -> str:
    return (
        f"More was sent than {most >> 20} MB, the most that is taken at once. Nothing was taken in. Send it in parts, "
        "or import it from the command line."
    )


async def _refuse(send: Send, status: int, words: str) -> None:
    body = json.dumps({"stopped": words, "guard": None, "detail": None}).encode()
    headers = {"content-type": "application/json", "content-length": str(len(body)), **_HEADERS}
    headers |= {"content-security-policy": _CSP, "cache-control": "no-store"}
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [(n.encode(), v.encode()) for n, v in headers.items()],
        }
    )
    await send({"type": "http.response.body", "body": body})
