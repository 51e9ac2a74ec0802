"""Density, gouge geometry and moisture: arrays in, arrays out; knows no bench."""
