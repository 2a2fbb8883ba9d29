"""Forms and contracts: TOML files become frozen values, or one error that names file, place and way out."""
