"""Why does this programme endanger the driver and that one not? Plays them again and again; owns no physics."""
