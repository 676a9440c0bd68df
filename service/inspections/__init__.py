"""Inspections of what arrived: checklist, cartons to open, proposed outcome, signature."""
