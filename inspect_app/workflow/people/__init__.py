"""People: their accounts, and the programs that act for them."""
