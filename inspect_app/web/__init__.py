"""The pages; the only home of Flask and WTForms."""
