"""The vault: bytes under their own sha256, written whole or not at all, checked on every read.

In: bytes. Out: bytes. Nothing a user types ever becomes a path: an address is
64 hexadecimal digits or it is refused.
"""

import hashlib
import os
import re
import tempfile
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
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

    def is_whole(self, address: str) -> bool:
        """Whether the bytes at an address are there and still what was stored."""
        try:
            self.get(address)
        except (RecordError, OSError):
            return False
        return True

    def put(self, data: bytes, *, durable: bool = True) -> str:
        """Keep these bytes and return their address. Putting them twice keeps them once.

        With `durable` they survive a power cut once this returns; without, only once
        `settle` has returned: for many files at once, whose import can be repeated.

        Raises
        ------
        RecordError
            They could not be written: the disk is full, or the folder is read-only.
        """
        try:
            return self._put(data, durable)
        except OSError as error:
            raise RecordError(
                f"It could not be kept ({error.strerror or type(error).__name__}). Nothing of it was left behind. "
                "Free space on the disk of the data folder, or make it writable, and import the image again."
            ) from None

    def _put(self, data: bytes, durable: bool) -> str:
        address = sha256_hex(data)
        path = self._path(address)
        # A file cut short by a power cut has its name but not its size: it is written again.
        if path.exists() and path.stat().st_size == len(data):
            return address
        path.parent.mkdir(exist_ok=True, mode=0o700)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".part-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                if durable:
                    os.fsync(file.fileno())
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
        if durable:
            _sync(path.parent)
        return address

    def settle(self, addresses: Iterable[str]) -> None:
        """Make these durable together; a disk does that for many at once far quicker than one by one."""
        paths = [self._path(address) for address in addresses]
        with ThreadPoolExecutor(8) as pool:
            list(pool.map(_sync, [*paths, *{path.parent for path in paths}]))

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
        except OSError as error:
            raise RecordError(
                f"The image {address[:12]} in the vault cannot be read ({error.strerror or type(error).__name__}). "
                "Check the disk and the rights of the data folder, or restore the vault folder from a backup."
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


def _sync(path: Path) -> None:
    """Bring a file's bytes, or a folder's names, to the disk; a file system that cannot keeps its own promise."""
    try:
        handle = os.open(path, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)
