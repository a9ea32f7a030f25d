"""A program of its own: decode compressed frames with GDCM, from standard input to standard output.

Run as a file, never imported: GDCM ends the whole process on some damaged
frames (an exception in C++ that its wrapper does not catch), and a damaged film
must not end the program that was asked to read it. It imports nothing of
headstock, so that it starts in a fifth of a second.

In: one line of JSON (rows, columns, samples, bits_allocated, bits_stored,
signed, photometric, transfer_syntax; frames: the length of each), then the frames. Out, for each: eight bytes
with the length of its samples, then these, little endian.
"""

import json
import sys
from importlib import import_module
from typing import Any


def main() -> int:
    """Exit status 0 when every frame was decoded."""
    gdcm: Any = import_module("gdcm")  # its wrapper has no types
    gdcm.Trace.WarningOff()
    gdcm.Trace.ErrorOff()
    form = json.loads(sys.stdin.buffer.readline())
    for length in form["frames"]:
        samples = _decoded(gdcm, form, sys.stdin.buffer.read(length))
        sys.stdout.buffer.write(len(samples).to_bytes(8, "little") + samples)
    return 0


def _decoded(gdcm: Any, form: dict[str, Any], frame: bytes) -> bytes:
    fragment = gdcm.Fragment()
    fragment.SetByteStringValue(frame)
    fragments = gdcm.SequenceOfFragments.New()
    fragments.AddFragment(fragment)
    element = gdcm.DataElement(gdcm.Tag(0x7FE0, 0x0010))
    element.SetValue(fragments.__ref__())
    image = gdcm.Image()
    image.SetNumberOfDimensions(2)
    image.SetDimensions((form["columns"], form["rows"], 1))
    image.SetDataElement(element)
    kind = gdcm.PhotometricInterpretation.GetPIType(form["photometric"])
    image.SetPhotometricInterpretation(gdcm.PhotometricInterpretation(kind))
    if form["samples"] > 1:
        image.SetPlanarConfiguration(0)
    image.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.GetTSType(form["transfer_syntax"])))
    bits = form["bits_stored"]
    image.SetPixelFormat(gdcm.PixelFormat(form["samples"], form["bits_allocated"], bits, bits - 1, form["signed"]))
    # GDCM hands a char pointer over as text; this is its way back to bytes.
    buffer: str = image.GetBuffer()
    return buffer.encode("utf-8", "surrogateescape")


if __name__ == "__main__":
    sys.exit(main())
