"""Step wedges: where the strip lies, its chain of steps, and what the steps say of a sensor."""
