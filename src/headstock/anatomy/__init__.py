"""Landmarks, readings, measures, osteonecrosis and the hip that films show. Knows nothing of implants."""
