"""What each animal and group gets per day, and what a day needs."""
