"""Charts of dots, crosses, lines and squares: their marks, numbered, and the lens that drew them."""
