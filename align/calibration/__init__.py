"""Measuring a camera once, from photos of the sheet."""
