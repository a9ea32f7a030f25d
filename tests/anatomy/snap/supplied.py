"""The three simulated patients of tests/data/hips, bone bright, with their truth."""

import json
import zipfile
from functools import lru_cache
from io import BytesIO
from pathlib import Path

import numpy as np
import pydicom

FOLDER = Path(__file__).parents[2] / "data" / "hips"


@lru_cache(maxsize=4)
def films(name, which="ap_pelvis"):
    with zipfile.ZipFile(FOLDER / f"{name}.zip") as package:
        names = {Path(n).name: n for n in package.namelist()}
        dataset = pydicom.dcmread(BytesIO(package.read(names[f"{which}.dcm"])))
        truth = json.loads(package.read(names["truth.json"]))
    values = dataset.pixel_array.astype(np.float32)
    if dataset.PhotometricInterpretation == "MONOCHROME1":
        values = values.max() - values
    return values, truth
