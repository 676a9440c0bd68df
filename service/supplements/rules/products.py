"""What there is to give, as the search for pieces sees it."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from service.catalogue.rules import MEASURED, DoseForm
from service.science.dosing import Offer


@dataclass(frozen=True)
class Product:
    """A supplement product with the contents of a piece, gram or millilitre of its next batch.

    smallest: what can be given least of it. batch: None where no stock of it is kept.
    """

    code: str
    name: str
    form: str
    smallest: float
    contents: Mapping[str, float]
    price: float = 0.0
    batch: str | None = None

    @property
    def measured(self) -> bool:
        """Whether it is weighed or measured out."""
        return self.form in MEASURED

    @cached_property
    def offer(self) -> Offer:
        """It by its smallest piece."""
        return Offer(
            self.code,
            {nutrient: amount * self.smallest for nutrient, amount in self.contents.items()},
            pieces_per_unit=max(1, round(1 / self.smallest)),
            cost=self.price * self.smallest,
            weighed=self.measured,
            may_halve=self.form == DoseForm.TABLET and self.smallest == 1.0,
        )

    def count(self, pieces: int) -> float:
        """Smallest pieces as pieces, grams or millilitres."""
        return round(pieces * self.smallest, 6)
