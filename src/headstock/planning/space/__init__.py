"""Placements on a hip read from a scan: the same lines, limits and comparison as on films, in three dimensions."""
