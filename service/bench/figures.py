"""One measured figure."""

from typing import Any

from pydantic import BaseModel, Field, computed_field


class Figure(BaseModel):
    """What was measured, in which unit, and what it should reach."""

    name: str
    database: str
    value: float
    unit: str
    target: float
    less_is_better: bool = False
    detail: dict[str, Any] = Field(default_factory=dict)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def met(self) -> bool:
        """Whether the target is reached."""
        return self.value <= self.target if self.less_is_better else self.value >= self.target

    def sentence(self) -> str:
        """The figure for a person."""
        bound = "≤" if self.less_is_better else "≥"
        detail = ", ".join(f"{name} {value}" for name, value in self.detail.items())
        return (
            f"{self.database:10}  {self.name:48}  {self.value:8g} {self.unit:18}"
            f"  {bound} {self.target:g}  {'met' if self.met else 'MISSED'}  {detail}"
        )
