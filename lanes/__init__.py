"""Reads a scan of a thin-layer plate: Rf, area percent and resolution, with their uncertainty."""
