"""What an excursion did to fish, which cartons to probe, who decides: pure functions."""
