"""Outside oracles: what others printed, against what the program computes."""
