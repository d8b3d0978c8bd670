"""From what the driver went through to a verdict: ratings, passages, margin."""
