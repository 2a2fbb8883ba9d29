"""What a person does, one verb per function, each in one transaction."""
