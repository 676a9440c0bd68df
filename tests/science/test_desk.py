"""The desk of the physics: what it is asked, what it answers, and the history that it draws."""

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service.cli import main
from service.science.properties import GROUPS
from service.science.thawing import Body, Shape, Stage, hours_to_core, thaw_history, thaw_time

LEAN = GROUPS["lean"]
Options = dict[str, str | None]
SLAB: Options = {
    "--shape": "slab",
    "--thickness-mm": "100",
    "--medium-c": "3",
    "--heat-transfer": "10",
    "--group": "lean",
}
MEASURED: Options = {
    "--group": None,
    "--water": "80.3",
    "--protein": "17.8",
    "--fat": "0.7",
    "--ash": "1.2",
    "--freezing-point-c": "-0.9",
}
BRICK: Options = {"--shape": "brick", "--width-mm": "250", "--length-mm": "500"}


class Desk:
    """Asks the command line and keeps what it printed."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self.capsys = capsys

    def ask(self, changes: Options | None = None, *more: str) -> tuple[int, str, str]:
        options = SLAB | (changes or {})
        words = [w for name, value in options.items() if value is not None for w in (name, value)]
        try:
            code = main(["science", "thaw", *words, *more])
        except SystemExit as stop:
            code = int(stop.code or 0)
        printed = self.capsys.readouterr()
        return code, printed.out, printed.err

    def answer(self, changes: Options | None = None) -> Any:
        code, out, err = self.ask(changes, "--json")
        assert (code, err) == (0, "")
        return json.loads(out)


@pytest.fixture
def desk(capsys: pytest.CaptureFixture[str]) -> Desk:
    return Desk(capsys)


def test_a_lean_slab_thaws_in_the_hours_of_the_reference(desk: Desk) -> None:
    # Science reference 2.2: lean, 100 mm, 3 °C, h 10, to -0.5 °C in 92.3 h, to 0 °C in 93.1 h;
    # 2.6: ten cells are at most 0.16 % off finer ones.
    assert desk.answer()["hours"] == pytest.approx(92.3, abs=0.05)
    assert desk.answer({"--core-c": "0"})["hours"] == pytest.approx(93.1, rel=0.0016)
    # 2.8: the range is 0.75 to 1.33 times the hours
    low, high = desk.answer()["range"]
    assert (low / 92.3, high / 92.3) == pytest.approx((0.75, 1.33), abs=0.01)


def test_without_a_core_it_is_fully_thawed_0_4_k_above_the_freezing_point(desk: Desk) -> None:
    assert desk.answer()["core_c"] == -0.5
    assert desk.answer({"--group": "squid"})["core_c"] == -1.5
    assert desk.answer() == desk.answer({"--core-c": "-0.5"})


def test_a_measured_composition_answers_as_its_group_does(desk: Desk) -> None:
    assert desk.answer(MEASURED) == desk.answer()
    oily = desk.answer(MEASURED | {"--water": "71", "--fat": "10"})
    assert oily["hours"] != desk.answer()["hours"]


def test_carbohydrate_counts_in_what_is_measured(desk: Desk) -> None:
    squid = MEASURED | {
        "--water": "78.55",
        "--protein": "15.58",
        "--fat": "1.38",
        "--ash": "1.41",
        "--carbohydrate": "3.08",
        "--freezing-point-c": "-1.9",
    }
    assert desk.answer(squid)["hours"] == desk.answer({"--group": "squid"})["hours"]


def test_the_closed_formula_stands_beside_the_answer(desk: Desk) -> None:
    answer = desk.answer()
    assert answer["formula_hours"] == pytest.approx(answer["hours"], rel=0.146)  # 2.6: at most
    assert answer["formula_disagrees"] is False
    _, text, _ = desk.ask()
    assert "agree within 20 %" in text


def test_where_formula_and_solver_are_far_apart_the_desk_says_so(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.science.thawing.formula_hours", lambda *_, **__: 92.3 * 1.21)
    assert desk.answer()["formula_disagrees"] is True
    assert "distrust both" in desk.ask()[1]


def test_below_the_freezing_point_there_is_no_formula_to_compare_with(desk: Desk) -> None:
    assert desk.answer({"--core-c": "-3"})["formula_hours"] is None
    assert "No closed formula" in desk.ask({"--core-c": "-3"})[1]


def test_the_text_says_hours_range_and_what_was_asked(desk: Desk) -> None:
    code, text, err = desk.ask(BRICK)
    assert (code, err) == (0, "")
    for said in ("79.8 h", "100 × 250 × 500 mm", "lean fish", "-20 °C", "3 °C", "10 W/m²K"):
        assert said in text


def test_a_side_that_changes_nothing_is_told_so(desk: Desk) -> None:
    with_width = desk.answer({"--width-mm": "250"})
    assert with_width["hours"] == desk.answer()["hours"]
    assert with_width["notes"] == ["--width-mm changes nothing for a slab"]


def test_rounder_pieces_thaw_sooner(desk: Desk) -> None:
    slab, cylinder, sphere = (
        desk.answer({"--shape": s})["hours"] for s in ("slab", "cylinder", "sphere")
    )
    assert slab > desk.answer(BRICK)["hours"] > cylinder > sphere


def test_a_minus_sign_as_it_is_printed_is_understood(desk: Desk) -> None:
    assert desk.answer({"--start-c": "\u221218"}) == desk.answer({"--start-c": "-18"})


# Pictures


def test_a_picture_is_png_or_svg_by_its_name_and_the_answer_is_printed_all_the_same(
    desk: Desk, tmp_path: Path
) -> None:
    for name, start in (("thaw.png", b"\x89PNG\r\n"), ("THAW.SVG", b"<?xml")):
        code, text, _ = desk.ask(BRICK, "--plot", str(tmp_path / name))
        assert code == 0 and "79.8 h" in text
        assert (tmp_path / name).read_bytes().startswith(start)


def test_the_picture_names_its_axes_curves_and_the_freezing_point(
    desk: Desk, tmp_path: Path
) -> None:
    desk.ask({}, "--plot", str(tmp_path / "thaw.svg"))
    drawn = (tmp_path / "thaw.svg").read_text(encoding="utf-8")
    for said in ("(h)", "(°C)", ">core<", ">surface<", "-0.9 °C", "92.3 h", "10-90 %"):
        assert said in drawn


def test_without_matplotlib_the_desk_says_how_to_get_it(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    code, _, err = desk.ask({}, "--plot", str(tmp_path / "thaw.png"))
    assert code == 2
    assert "pip install 'fishhouse[plot]'" in err


@pytest.mark.parametrize(
    ("name", "said"), [("thaw.gif", ".png or .svg"), ("thaw", ".png"), ("no/thaw.png", "folder")]
)
def test_a_picture_that_cannot_be_is_refused_before_anything_is_computed(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, said: str
) -> None:
    monkeypatch.setattr("service.science.thawing.thaw_time", None)
    code, out, err = desk.ask({}, "--plot", str(tmp_path / name))
    assert (code, out) == (2, "") and said in err


def test_a_picture_that_cannot_be_written_is_a_sentence_too(desk: Desk, tmp_path: Path) -> None:
    (tmp_path / "thaw.png").mkdir()
    code, _, err = desk.ask({}, "--plot", str(tmp_path / "thaw.png"))
    assert code == 2 and "cannot be written" in err and "Traceback" not in err


# Bad input


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"--shape": "cube"}, ["--shape", "brick"]),
        ({"--shape": None}, ["--shape"]),
        ({"--thickness-mm": "thick"}, ["--thickness-mm", "2 and 1000 mm"]),
        ({"--thickness-mm": "1.9"}, ["--thickness-mm", "2 and 1000 mm"]),
        ({"--thickness-mm": "inf"}, ["--thickness-mm", "2 and 1000 mm"]),
        ({"--medium-c": "41"}, ["--medium-c", "-45 and 40 °C"]),
        ({"--heat-transfer": "0"}, ["--heat-transfer", "0.5 and 2000 W/m²K"]),
        ({"--heat-transfer": "nan"}, ["--heat-transfer", "0.5 and 2000 W/m²K"]),
        ({"--start-c": "-46"}, ["--start-c", "-45 and 40 °C"]),
        ({"--core-c": "-46"}, ["--core-c", "-45 and 40 °C"]),
        ({"--packing": "0.2"}, ["--packing", "0.3 and 1"]),
        ({"--start-c": "0"}, ["--start-c must be colder", "-0.5 °C"]),
        ({"--medium-c": "-2"}, ["--medium-c must be warmer", "-0.5 °C"]),
        ({"--shape": "brick"}, ["--width-mm", "--length-mm"]),
        ({"--shape": "fish"}, ["--width-mm"]),
        (BRICK | {"--width-mm": "99"}, ["--width-mm", "100 mm", "20000 mm"]),
        ({"--group": "granite"}, ["--group", "lean"]),
        ({"--group": None}, ["--group", "--water", "--freezing-point-c"]),
        ({"--water": "80"}, ["--group", "not both"]),
        (MEASURED | {"--fat": None}, ["--fat"]),
        (MEASURED | {"--fat": "101"}, ["--fat", "0 and 100 %"]),
        (MEASURED | {"--protein": "30"}, ["sum to", "95 and 105"]),
        (MEASURED | {"--water": "30", "--protein": "68"}, ["water", "40 and 92 %"]),
        (MEASURED | {"--freezing-point-c": "0"}, ["--freezing-point-c", "-3 and -0.3 °C"]),
        ({"--thickness-mm": "1000", "--heat-transfer": "0.5"}, ["1000 h", "--thickness-mm"]),
    ],
)
def test_bad_input_names_the_argument_and_its_range(
    desk: Desk, changes: Options, said: list[str]
) -> None:
    code, out, err = desk.ask(changes)
    assert (code, out) == (2, "")
    assert "Traceback" not in err
    for words in said:
        assert words in err


def test_a_picture_belongs_to_the_science_bench(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "--picture", "growth.png"]) == 2
    assert "bench science" in capsys.readouterr().err


# The history that is drawn


@pytest.mark.parametrize("shape", [Shape.SLAB, Shape.BRICK, Shape.CYLINDER, Shape.SPHERE])
def test_the_core_of_the_history_passes_its_target_when_the_solver_says(shape: Shape) -> None:
    body = Body(shape, 0.08, 0.2, 0.3)
    stages = [Stage(12.0, 25.0)]
    hours = hours_to_core(LEAN, body, stages, start_c=-20, core_c=-0.5)
    history = thaw_history(LEAN, body, stages, start_c=-20, hours=hours, points=50)
    assert history.at_h[-1] == hours
    before = hours_to_core(LEAN, body, stages, start_c=-20, core_c=float(history.core_c[-1]))
    assert before == pytest.approx(hours, rel=2e-3)


def test_while_it_thaws_the_surface_is_between_core_and_medium_and_all_warm() -> None:
    history = thaw_history(LEAN, Body(Shape.SLAB, 0.1), [Stage(3, 10)], start_c=-20, hours=120)
    for inner, outer in (
        (history.core_c, history.mean_c),
        (history.mean_c, history.surface_c),
        (history.surface_c, np.full(201, 3.0)),
    ):
        assert (inner <= outer + 1e-9).all()
    for series in (history.core_c, history.mean_c, history.surface_c):
        assert (np.diff(series) >= -1e-9).all()


def test_the_first_surface_is_what_the_flow_through_half_a_cell_makes_it() -> None:
    # Science reference 2.1, by hand: k(-20 °C) 1.556, half cell 2.5 mm, h 10:
    # -20 + 23 · (0.0025/1.556) / (1/10 + 0.0025/1.556) = -19.636 °C
    history = thaw_history(LEAN, Body(Shape.SLAB, 0.1), [Stage(3, 10)], start_c=-20, hours=1)
    assert history.surface_c[0] == pytest.approx(-19.636, abs=0.001)


def test_a_history_in_stages_is_each_stage_after_the_other() -> None:
    body = Body(Shape.BRICK, 0.1, 0.25, 0.5)
    stages = [Stage(3.0, 10.0, 20.0), Stage(12.0, 60.0)]
    history = thaw_history(LEAN, body, stages, start_c=-20, hours=40, points=80)
    alone = thaw_history(LEAN, body, [Stage(3.0, 10.0)], start_c=-20, hours=20, points=40)
    assert history.core_c[:41] == pytest.approx(alone.core_c, abs=1e-9)
    hours = hours_to_core(LEAN, body, stages, start_c=-20, core_c=-0.5)
    assert np.interp(-0.5, history.core_c, history.at_h) == pytest.approx(hours, abs=0.3)


@pytest.mark.parametrize(
    ("changes", "named"),
    [({"hours": 0.0}, "hours"), ({"hours": 1001.0}, "hours"), ({"start_c": 41.0}, "start_c"),
     ({"points": 0}, "points")],
)  # fmt: skip
def test_a_history_out_of_range_is_refused_by_name(changes: dict[str, Any], named: str) -> None:
    asked: dict[str, Any] = {"start_c": -20.0, "hours": 10.0} | changes
    with pytest.raises(ValueError, match=named):
        thaw_history(LEAN, Body(Shape.SLAB, 0.1), [Stage(3, 10)], **asked)


def test_the_desk_answers_what_the_science_says(desk: Desk) -> None:
    found = thaw_time(LEAN, Body(Shape.BRICK, 0.1, 0.25, 0.5), [Stage(3, 10)])
    answer = desk.answer(BRICK)
    assert (answer["hours"], *answer["range"], answer["formula_hours"]) == pytest.approx(
        (found.value, found.low, found.high, found.formula_h), abs=1e-4
    )
