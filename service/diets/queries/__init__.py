"""Every select of diets."""

from service.diets.queries.need import diet_grams

__all__ = ["diet_grams"]
