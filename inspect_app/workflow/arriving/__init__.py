"""What arrives: contracts that are adopted, packing lists and labels, shipments received."""
