"""A hip read from a scan: bone apart from bone, axes, density, lesion, and the stock profile."""
