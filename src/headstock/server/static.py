"""The built front end: its files, and the one page for every address of the front end."""

import mimetypes
from importlib import resources
from pathlib import Path

from fastapi import Request, Response
from starlette.responses import FileResponse, HTMLResponse

__all__ = ["static_folder", "static_response"]

_NOT_BUILT = """<!doctype html><html lang="en"><meta charset="utf-8"><title>headstock</title>
<p>The front end is not part of this installation. The command line does the whole job: <code>headstock --help</code>.
To build it, run <code>make demo</code> in the source folder.</p></html>"""


def static_folder() -> Path:
    """Where the front end is installed."""
    return Path(str(resources.files("headstock"))) / "static"


def static_response(path: str, request: Request, folder: Path | None = None) -> Response:
    """A file of the front end, or its page for any other address.

    The files are listed first and looked up by name, so that no address can
    lead out of the folder.
    """
    del request
    root = folder or static_folder()
    files = (
        {file.relative_to(root).as_posix(): file for file in root.rglob("*") if file.is_file()} if root.is_dir() else {}
    )
    found = files.get(path)
    if found is not None and path != "index.html":
        kind = mimetypes.guess_type(found.name)[0] or "application/octet-stream"
        # Built assets carry their content's hash in the name.
        keep = "public, max-age=31536000, immutable" if path.startswith("assets/") else "no-cache"
        return FileResponse(found, media_type=kind, headers={"Cache-Control": keep})
    if path.startswith("assets/"):
        return Response(status_code=404)
    index = files.get("index.html")
    if index is None:
        return HTMLResponse(_NOT_BUILT)
    return HTMLResponse(index.read_text(encoding="utf-8"), headers={"Cache-Control": "no-cache"})
