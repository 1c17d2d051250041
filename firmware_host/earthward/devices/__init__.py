"""What touches the world: ADC, source-board link, clock map, GPIO, sound."""
