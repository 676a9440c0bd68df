"""What no committed file may hold."""

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

from tests.architecture.addresses import ROOT

# Written in pieces, so that this file does not hold what it looks for.
LATER = re.compile(r"\b(TO" + r"DO|FIX" + r"ME|XX" + r"X)\b")
# The container's own home, which the Dockerfile makes, is nobody's machine.
MACHINE = re.compile(
    r"(?<![\w.{}])/(?:ro" + r"ot|wo" + r"rk|ho" + r"me(?!/fishhouse/)|Us" + r"ers)/[\w.]"
)
REGISTRY = re.compile(
    r"py" + r"pi\.org|python" + r"hosted|registry\." + r"npmjs|--(?:extra-)?index" + r"-url|"
    r"ghcr\.io|conda\." + r"anaconda"
)
NOW = re.compile(r"datetime\.now|utcnow|date\.today|\btime\.time\(|datetime\.today")
SKIPPED = re.compile(r"mark\.(?:sk" + r"ip|xf" + r"ail)|pytest\.(?:sk" + r"ip|xf" + r"ail)\(")
TEXT = {".py", ".md", ".toml", ".txt", ".yml", ".yaml", ".csv", ".html", ".css", ".js", ".json"}


def committed() -> Iterator[tuple[str, str]]:
    """Path and text of every committed file, or of the tree where there is no repository."""
    if (ROOT / ".git").exists():
        listed = subprocess.run(
            ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True
        ).stdout
        names = [name for name in listed.split("\0") if name]
    else:
        names = [str(p.relative_to(ROOT)) for p in ROOT.rglob("*") if p.is_file()]
    for name in names:
        path = ROOT / name
        known = path.suffix in TEXT or path.name in {"Dockerfile", "LICENSE", "run"}
        if known and path.is_file():
            yield name, path.read_text(encoding="utf-8")


def found(pattern: re.Pattern[str], *, under: str = "") -> list[str]:
    return [
        f"{name}:{number}: {line.strip()[:80]}"
        for name, text in committed()
        if name.startswith(under)
        for number, line in enumerate(text.splitlines(), 1)
        if pattern.search(line)
    ]


def test_nothing_is_put_off_in_a_comment() -> None:
    assert found(LATER) == []


def test_no_file_knows_a_path_of_the_machine_it_was_written_on() -> None:
    assert found(MACHINE) == []


def test_no_file_holds_the_address_of_a_registry() -> None:
    assert found(REGISTRY) == []


def test_only_the_clock_asks_what_time_it_is() -> None:
    asked = [
        line for line in found(NOW, under="service/") if not line.startswith("service/clock.py")
    ]
    assert asked == []
    assert found(NOW, under="service/clock.py"), "the pattern finds what it looks for"


def test_no_test_is_skipped_or_expected_to_fail() -> None:
    assert found(SKIPPED, under="tests/") == []


def test_the_patterns_find_what_they_look_for() -> None:
    assert LATER.search("# TO" + "DO: later")
    assert MACHINE.search('open("/ro' + 'ot/thing")') and MACHINE.search("/ho" + "me/ada/x")
    assert REGISTRY.search("https://py" + "pi.org/simple")
    assert SKIPPED.search("@pytest.mark.sk" + "ip")


def test_every_folder_of_tests_is_a_package() -> None:
    for folder in {
        Path(n).parent for n, _ in committed() if n.startswith("tests/") and n.endswith(".py")
    }:
        assert (ROOT / folder / "__init__.py").exists(), folder
