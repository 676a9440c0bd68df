"""Everything known of what animals eat, as fed and as dry matter, against what is required."""
