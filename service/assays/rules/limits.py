"""What can be tested besides nutrients, and the limits for a species' fish, from the tables."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache

from service.catalogue.rules import SpeciesFacts
from service.figures import Row, number, table

# The rows of the chemical table that are about raw fish as we feed it. The others are about fish
# sauce, brine, fish oil, or feed counted at 12 % moisture: stored, and not judged.
_RAW_FISH = frozenset(
    {
        "fish",
        "scombrotoxin-forming fish, decomposition",
        "scombrotoxin-forming fish, health hazard",
        "Sebastes, Helicolenus, Sebastichthys",
        "flatfish except halibut",
        "Atlantic salmon, hakes, cods",
        "cods",
        "fat extracted from fish",
        "fish flesh",
        "fish lipid",
        "fish muscle, general",
        "muscle of fish, whole fish if eaten whole",
    }
)
_LAW = frozenset({"legal_eu", "legal_eu_food"})
_MICROBIAL_MATRIX = {
    "finfish": "fresh or frozen fish",
    "cephalopod": "fresh or frozen fish",  # the table has no row of its own: our choice
    "crustacean": "raw frozen crustaceans",
}
_DOUBTFUL = "fish of doubtful origin"
MICROBES_UNIT = "CFU/g"
SALMONELLA, SALMONELLA_UNIT = "salmonella", "/25g"
THIAMINASE, THIAMINASE_UNIT = "thiaminase", "nmol/g/min"
# Below half of the least activity in the table of fish that have it: none, where nothing is seen.
THIAMINASE_SEEN_FROM = 1.0
IN_WORDS = frozenset({SALMONELLA, THIAMINASE})  # tests that are answered absent or present
HISTAMINE = "histamine"


@dataclass(frozen=True)
class Limit:
    """One row of a limit: n samples, c of them above m, none above M; or a single largest value."""

    test: str
    matrix: str
    unit: str
    holds: bool
    source: str
    samples: int = 1
    allowed: int = 0
    marginal: float | None = None
    unacceptable: float | None = None

    @property
    def largest(self) -> float:
        """The value above which something has to be said."""
        found = self.marginal if self.marginal is not None else self.unacceptable
        assert found is not None
        return found


@lru_cache(maxsize=1)
def units() -> Mapping[str, str]:
    """Every test that can be recorded, with the unit that its limits are in.

    >>> units()["histamine"], units()["salmonella"]
    ('mg/kg', '/25g')
    """
    chemical = {
        row["analyte"]: row["unit"]
        for row in table("chemical_limits")
        if row["analyte"].isidentifier()
    }
    microbial = {row["test"]: MICROBES_UNIT for row in table("microbial_limits")}
    return chemical | microbial | {SALMONELLA: SALMONELLA_UNIT, THIAMINASE: THIAMINASE_UNIT}


def is_microbial(test: str) -> bool:
    """Whether a test counts microbes.

    >>> is_microbial("escherichia_coli"), is_microbial("histamine")
    (True, False)
    """
    return any(row["test"] == test for row in table("microbial_limits"))


@cache
def histamine_plan() -> Limit:
    """The nine-sample plan of the named families.

    >>> histamine_plan().samples, histamine_plan().marginal, histamine_plan().unacceptable
    (9, 100.0, 200.0)
    """
    row = next(
        r for r in table("chemical_limits") if r["analyte"] == HISTAMINE and r["matrix"] == "fish"
    )
    return _limit(row, row["source"], row["analyte"], row["unit"], holds=True)


@cache
def chemical_limits(species: SpeciesFacts, test: str) -> tuple[Limit, ...]:
    """The limits of one value for fish of a species, without the histamine plan.

    A legal limit that was read in its source holds; everything else warns: guidance,
    literature, and what is known from memory.
    """
    return tuple(
        _limit(row, source, test, row["unit"], holds=row["kind"] in _LAW and row["flag"] == "R")
        for row, source in _with_sources()
        if row["analyte"] == test
        and row["matrix"] in _RAW_FISH
        and (row["single_max"] or (row["m"] and not row["n"]))
        and _is_about(row, species)
    )


def _with_sources() -> Iterator[tuple[Row, str]]:
    """Rows with their sources; "same" is that of the row before."""
    source = ""
    for row in table("chemical_limits"):
        source = row["source"] if row["source"] != "same" else source
        yield row, source


def _is_about(row: Row, species: SpeciesFacts) -> bool:
    families = row["families"].split(";")
    if row["families"] == "US list":
        return species.histamine_former_us
    if species.family == "Salmonidae" and "Salmonidae" in families:
        return species.scientific_name == "Salmo salar"  # the note of that row
    return families == ["any"] or species.family in families


def _limit(row: Row, source: str, test: str, unit: str, *, holds: bool) -> Limit:
    single = number(row["single_max"])
    return Limit(
        test=test,
        matrix=row["matrix"],
        unit=unit,
        holds=holds,
        source=f"{source} [{row['flag']}]",
        samples=int(row["n"] or 1),
        allowed=int(row["c"] or 0),
        marginal=number(row["m"]) if single is None else None,
        unacceptable=number(row["M"]) if single is None else single,
    )


@cache
def microbial_plan(species: SpeciesFacts, test: str) -> Limit | None:
    """The plan for a count in fish of a species; None where the table has none with n and c.

    A plan that was read in its source holds, one from memory warns.
    """
    matrix = _MICROBIAL_MATRIX[species.kind]
    for row in table("microbial_limits"):
        fits = row["matrix"].startswith(matrix) or row["matrix"] == _DOUBTFUL
        if row["test"] == test and fits and row["n"]:
            return Limit(
                test=test,
                matrix=row["matrix"],
                unit=units()[test],
                holds=row["flag"] == "R",
                source=f"{row['source']} [{row['flag']}]",
                samples=int(row["n"]),
                allowed=int(row["c"]),
                marginal=float(row["m_cfu_per_g"]),
                unacceptable=number(row["M_cfu_per_g"]),
            )
    return None
