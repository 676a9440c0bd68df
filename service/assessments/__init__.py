"""What an excursion did to the fish, which cartons to probe, and what was decided."""
