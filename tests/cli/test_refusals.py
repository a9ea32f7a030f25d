"""What the command line says when it cannot: words without a path, JSON where JSON was asked, a code that is not 0."""

import json
import sys
from pathlib import Path

import pytest

from headstock.cli import main


def _run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["headstock", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    said = capsys.readouterr()
    return int(ended.value.code or 0), said.out, said.err


REFUSED = [
    (1, "hips --today yesterday"),
    (1, "import nowhere/SMITH.dcm"),
    (1, "film show nowhere.dcm"),
    (1, "film show {folder}"),
    (1, "film side nobody sideways"),
    (1, "film side nobody left --view front"),
    (1, "film scale nobody --ball 1,x"),
    (1, "film scale nobody --circle nan,1,2 --marker-mm 25"),
    (1, "film read nowhere.dcm --landmarks nowhere.json"),
    (1, "compare nobody --choose wrong"),
    (1, "place nobody --leg-mm nan"),
    (1, "place nobody --placement nowhere.json"),
    (1, "sign nobody --signer A --side left --operation 2026-13-01"),
    (1, "sheet nobody --draft --paper a3"),
    (1, "phantom {file}/below --cases 1"),
    (1, "verify --table nowhere.csv"),
    (1, "bench --part nothing"),
    (1, "hips --data {file}"),
    (2, "sign nobody"),
    (2, "hips --wrong"),
    (2, "wrong"),
    (2, "serve --port 99999"),
]


@pytest.mark.parametrize(("code", "line"), REFUSED, ids=[line for _, line in REFUSED])
def test_a_refusal_is_json_where_json_was_asked_and_names_no_path(monkeypatch, capsys, tmp_path: Path, code, line):
    a_file = tmp_path / "a file"
    a_file.write_text("x")
    words = [word.format(folder=tmp_path, file=a_file) for word in line.split()]
    monkeypatch.setenv("HEADSTOCK_DATA", str(tmp_path / "data"))
    ended, out, err = _run(monkeypatch, capsys, *words, "--json")
    assert ended == code, out + err
    told = json.loads(out)
    assert set(told) == {"stopped", "guard"}
    assert told["stopped"]
    assert str(tmp_path) not in out + err
    ended, out, err = _run(monkeypatch, capsys, *words)
    assert ended == code
    assert "Traceback" not in out + err
    assert err.strip()


def test_a_sheet_that_cannot_be_written_is_refused_in_words(monkeypatch, capsys, tmp_path: Path):
    monkeypatch.setattr("headstock.desk.sign.draft_sheet", lambda *_, **__: b"%PDF-")
    ended, out, _ = _run(
        monkeypatch, capsys, "sheet", "x", "--draft", "--out", str(tmp_path / "none" / "SMITH.pdf"), "--data",
        str(tmp_path / "data"), "--json",
    )  # fmt: skip
    assert ended == 1
    assert "cannot be used: No such file" in json.loads(out)["stopped"]
    assert "SMITH" not in out


@pytest.mark.parametrize(
    "command",
    ["", "demo", "serve", "import", "hips", "film", "film show", "film scale", "film side", "film read", "compare",
     "place", "sign", "sheet", "phantom", "verify", "bench"],
)  # fmt: skip
def test_every_command_says_what_it_does_and_takes_json(monkeypatch, capsys, command: str):
    ended, out, _ = _run(monkeypatch, capsys, *command.split(), "--help")
    assert ended == 0
    assert "Usage" in out
    if command not in ("", "film"):
        assert "--json" in out
