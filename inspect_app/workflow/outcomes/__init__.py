"""What follows: nonconformities, the record of suppliers, repeat checks, and the dock at a glance."""
