"""The invented demo fleet: contracts, packing lists, devices of known truth, and the bench that captures them."""
