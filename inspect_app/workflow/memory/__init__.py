"""The memory of the fleet: the past of devices, searches and drift, lists taken away and brought back, audit packs."""
