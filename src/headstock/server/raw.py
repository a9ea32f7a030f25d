"""Bytes whose address carries their version; the browser may keep them, and asks whether they still stand."""

from fastapi import Request, Response

__all__ = ["raw"]


def raw(data: bytes, tag: str, request: Request) -> Response:
    """The bytes, or 304 where the browser holds those of this tag."""
    headers = {"ETag": f'"{tag}"', "Cache-Control": "private, no-cache"}
    if request.headers.get("if-none-match") == headers["ETag"]:
        return Response(status_code=304, headers=headers)
    return Response(data, media_type="application/octet-stream", headers=headers)
