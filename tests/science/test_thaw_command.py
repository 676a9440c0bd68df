"""`fishhouse science thaw`, as somebody types it."""

import json
from pathlib import Path

import pytest

from service.cli import main

BRICK = ["science", "thaw", "--shape", "brick", "--thickness-mm", "100", "--width-mm", "250",
         "--length-mm", "500", "--medium-c", "3", "--heat-transfer", "15"]  # fmt: skip


def asked(capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, str, str]:
    try:
        code = main([*BRICK, *more])
    except SystemExit as stop:
        code = int(stop.code or 0)
    printed = capsys.readouterr()
    return code, printed.out, printed.err


def test_a_block_in_a_refrigerator_takes_days_and_says_how_sure_that_is(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Science reference 2.9: 61.9 h for a lean 100 × 250 × 500 mm block, 3 °C, fan h 15."""
    code, out, _ = asked(capsys, "--group", "lean", "--core-c", "-0.5", "--json")
    answer = json.loads(out)
    assert code == 0
    assert answer["hours"] == pytest.approx(61.9, abs=0.1)
    assert answer["range"][0] < answer["hours"] < answer["range"][1]
    assert answer["method"] and answer["sources"]
    _, text, _ = asked(capsys, "--group", "lean", "--core-c", "-0.5")
    assert "61.9 h" in text and "thermometer" in text


def test_a_measured_composition_and_a_picture(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    measured = ["--water", "80.3", "--protein", "17.8", "--fat", "0.7", "--ash", "1.2",
                "--freezing-point-c", "-0.9"]  # fmt: skip
    for name, start in (("thaw.png", b"\x89PNG"), ("thaw.svg", b"<?xml")):
        code, _, err = asked(capsys, *measured, "--plot", str(tmp_path / name))
        assert (code, err) == (0, "")
        assert (tmp_path / name).read_bytes().startswith(start)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--group", "lean", "--thickness-mm", "0"], "--thickness-mm"),
        (["--group", "lean", "--medium-c", "-5", "--core-c", "-1"], "core"),
        (["--group", "lean", "--heat-transfer", "nan"], "--heat-transfer"),
        (
            ["--water", "20", "--protein", "17", "--fat", "1", "--ash", "1",
             "--freezing-point-c", "-1"],
            "sum to",
        ),
        (["--group", "granite"], "--group"),
        ([], "--group"),
    ],
)  # fmt: skip
def test_what_makes_no_sense_is_refused_in_a_plain_sentence(
    capsys: pytest.CaptureFixture[str], more: list[str], said: str
) -> None:
    code, out, err = asked(capsys, *more)
    assert (code, out) == (2, "")
    assert said in err and "Traceback" not in err
