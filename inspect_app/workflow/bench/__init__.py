"""At the bench: inspections, from opening by answers and captures to the signature."""
