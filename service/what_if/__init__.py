"""What if: a changed day of supplements beside the day as it stands; nothing is stored."""
