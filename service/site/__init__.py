"""Sites, their places and limits, policy versions, the register of rules."""
