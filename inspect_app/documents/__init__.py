"""Certificates and rejection notices; the only home of WeasyPrint."""
