"""The log of a discharge: where it falls below the cutoff for good, what it adds up to, and gaps of the logger."""
