"""The vault keeps bytes under their own sha256 and notices when they change."""

import errno
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from headstock.errors import RecordError
from headstock.records import Vault, sha256_hex


def test_the_address_is_the_published_sha256_of_the_bytes():
    # FIPS 180-2, appendix B.1: the message "abc".
    assert sha256_hex(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(data=st.binary(max_size=500))
def test_what_is_put_comes_back_and_twice_is_once(tmp_path: Path, data: bytes):
    vault = Vault(tmp_path / "vault")
    address = vault.put(data)
    assert vault.put(data) == address
    assert vault.get(address) == data
    assert address in vault


def test_a_changed_image_is_refused_with_the_way_out(tmp_path: Path):
    vault = Vault(tmp_path / "vault")
    address = vault.put(b"a film")
    path = tmp_path / "vault" / address[:2] / address
    path.write_bytes(b"a Film")
    with pytest.raises(RecordError, match=r"content has changed.*backup"):
        vault.get(address)


def test_a_missing_image_is_refused_with_the_way_out(tmp_path: Path):
    with pytest.raises(RecordError, match=r"not in the vault.*import the image again"):
        Vault(tmp_path / "vault").get("0" * 64)


@pytest.mark.parametrize("address", ["../../etc/passwd", "", "ABC", "0" * 63, "g" * 64, "0" * 64 + "/x"])
def test_nothing_but_a_hash_is_an_address(tmp_path: Path, address: str):
    with pytest.raises(RecordError, match="64 hexadecimal digits"):
        Vault(tmp_path / "vault").get(address)


def test_a_write_that_fails_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    vault = Vault(tmp_path / "vault")

    def full_disk(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", "/home/someone/vault")

    monkeypatch.setattr("headstock.records.vault.os.replace", full_disk)
    with pytest.raises(RecordError, match=r"No space left.*Nothing of it was left behind.*Free space") as stop:
        vault.put(b"x" * 100)
    assert "someone" not in str(stop.value)
    assert [path for path in (tmp_path / "vault").rglob("*") if path.is_file()] == []
