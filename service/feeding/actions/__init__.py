"""Recording feeds, taking them back and putting them right; and the sums of what was eaten."""

from service.feeding.actions.recording import Fed, feed, feed_round

__all__ = ["Fed", "feed", "feed_round"]
