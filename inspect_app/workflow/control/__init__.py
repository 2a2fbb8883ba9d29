"""The bench in control: instruments and their calibrations, references, studies of readers."""
