"""Array functions that several checks share; they know no file, no check and no contract."""
