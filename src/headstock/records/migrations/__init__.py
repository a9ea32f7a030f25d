"""Migrations of the record, packaged with it and run at every start."""
