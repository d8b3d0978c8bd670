"""From file samples to volts at the high-frequency branch: level, amplifier, crossover, splitter."""
