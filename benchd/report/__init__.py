"""From the database to what a person reads: tables, and specimens side by side."""
