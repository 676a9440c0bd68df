"""What energy a fish carries: as assayed, as measured of its species, or from its proximates."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from service.catalogue.rules import content_source, default_content
from service.figures import number, table
from service.science.energy import metabolisable_kcal_per_100g


@dataclass(frozen=True)
class FishEnergy:
    """Energy of a fish as fed, and where the figure comes from; lot: of which it is."""

    kcal_per_kg: float
    source: str
    lot_id: int | None = None


@cache
def usual_energy(species: str) -> FishEnergy:
    """Of a species whose lot was not assayed: measured whole fish before muscle tables.

    >>> usual_energy("CAP").kcal_per_kg
    912.0
    """
    for row in table("composition"):
        if row["asfis_code"] == species and row["service_default"] == "yes":
            measured = number(row["energy_measured_kcal_per_kg"])
            if measured is not None:
                return FishEnergy(measured, f"{species} as measured: {row['source']}")
    source = f"{species} usually: {content_source(species)}"
    return FishEnergy(_energy(default_content(species)), source)


def assayed_energy(species: str, found: Mapping[str, float]) -> float | None:
    """kcal/kg of a lot by its assay; None where it measured neither energy nor fat and protein.

    found : service units by INFOODS tag. An energy that a laboratory states goes first.
    """
    if "ENERC" not in found and not {"FAT", "PROCNT"} <= set(found):
        return None
    return _energy({"CHOCDF": default_content(species).get("CHOCDF", 0.0), **found})


def _energy(content: Mapping[str, float]) -> float:
    if "ENERC" in content:
        return content["ENERC"] * 10
    return 10 * metabolisable_kcal_per_100g(
        content["PROCNT"], content["FAT"], content.get("CHOCDF", 0.0)
    )
