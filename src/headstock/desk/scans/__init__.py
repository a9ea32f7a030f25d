"""Scans on the desk: brought in, read by the program, corrected by hand, shown in planes and as a stock profile."""
