"""Where the grams of a lot went, which lots an animal ate, and recalls by supplier lot code."""
