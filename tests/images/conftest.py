"""Films made for the tests, and the outside programs they are held against."""

import shutil
import subprocess
from datetime import date
from io import BytesIO

import numpy as np
import pydicom
import pytest

from headstock.images.write import DxFacts, write_dx

DEBIAN = {"dciodvfy": "dicom3tools"}  # every other program is in dcmtk


@pytest.fixture
def run():
    """Run an outside program; its absence fails the test, for a skipped check is no check."""

    def call(program, *arguments):
        if shutil.which(program) is None:
            pytest.fail(f"{program} is missing: install the Debian package {DEBIAN.get(program, 'dcmtk')}.")
        return subprocess.run([program, *map(str, arguments)], capture_output=True, text=True, check=True)

    return call


@pytest.fixture(scope="session")
def plain_pixels():
    """12-bit pixels with structure and noise, so that every compression has work to do."""
    y, x = np.mgrid[:120, :96]
    smooth = 2000 + 1500 * np.sin(x / 9) * np.cos(y / 13)
    return (smooth + np.random.default_rng(7).normal(0, 40, smooth.shape)).clip(0, 4095).astype(np.uint16)


@pytest.fixture
def make_film(plain_pixels):
    """Bytes of a DX film with header elements changed, removed (None), or pixels replaced."""

    def make(pixels=None, *, form=None, **elements):
        facts = {
            "patient_name": "DEMO^ONE",
            "patient_number": "DEMO-0001",
            "birth_date": date(1988, 4, 12),
            "sex": "F",
            "study_date": date(2026, 11, 9),
            "series_description": "AP PELVIS",
        }
        data = write_dx(plain_pixels if pixels is None else pixels, DxFacts(**(facts | (form or {}))))
        if not elements:
            return data
        ds = pydicom.dcmread(BytesIO(data))
        for keyword, value in elements.items():
            if value is None:
                delattr(ds, keyword)
            else:
                setattr(ds, keyword, value)
        return save(ds)

    return make


def save(ds):
    out = BytesIO()
    ds.save_as(out, enforce_file_format=True)
    return out.getvalue()


@pytest.fixture
def public_file():
    """Path of one of pydicom's own test files, from the packages installed, never from the network."""
    from pydicom.data import get_testdata_file

    def find(name):
        path = get_testdata_file(name, download=False)
        if path is None:
            pytest.fail(f"{name} is missing: install the test packages (pydicom-data).")
        return path

    return find
