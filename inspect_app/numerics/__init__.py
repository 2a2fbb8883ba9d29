"""Array functions behind the checks, in folders by what is seen; they know no file, no check and no contract."""
