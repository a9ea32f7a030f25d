"""The vault: bytes under their own sha256, written whole or not at all, checked on every read.

In: bytes. Out: bytes. Nothing a user types ever becomes a path: an address is
64 hexadecimal digits or it is refused.
"""

import hashlib
import os
import re
import tempfile
from pathlib import Path

from headstock.errors import RecordError

__all__ = ["Vault", "sha256_hex"]

_ADDRESS = re.compile(r"[0-9a-f]{64}")


def sha256_hex(data: bytes) -> str:
    """The address of these bytes: SHA-256 (FIPS 180-4), lower-case hexadecimal."""
    return hashlib.sha256(data).hexdigest()


class Vault:
    """A folder of files named by their content."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)

    def put(self, data: bytes) -> str:
        """Keep these bytes and return their address. Putting them twice keeps them once."""
        address = sha256_hex(data)
        path = self._path(address)
        if path.exists():
            return address
        path.parent.mkdir(exist_ok=True, mode=0o700)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".part-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
        _sync_folder(path.parent)
        return address

    def get(self, address: str) -> bytes:
        """The bytes at an address.

        Raises
        ------
        RecordError
            No such bytes, or they are no longer what was stored.
        """
        path = self._path(address)
        try:
            data = path.read_bytes()
        except FileNotFoundError:
            raise RecordError(
                f"The image {address[:12]} is not in the vault, although the record names it. Nothing can be read "
                "from it. Restore the vault folder from a backup, or import the image again: it takes its old place."
            ) from None
        if sha256_hex(data) != address:
            raise RecordError(
                f"The image {address[:12]} in the vault is not the one that was stored: its content has changed. "
                "It must not be measured. Restore the vault folder from a backup, or delete that one file and import "
                "the image again."
            )
        return data

    def __contains__(self, address: str) -> bool:
        return self._path(address).exists()

    def _path(self, address: str) -> Path:
        if not _ADDRESS.fullmatch(address):
            raise RecordError(
                "An image's address is 64 hexadecimal digits; this is something else. Open it from its hip."
            )
        return self._folder / address[:2] / address


def _sync_folder(folder: Path) -> None:
    """Make the rename durable; a file system that cannot do it keeps its own promise."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)
