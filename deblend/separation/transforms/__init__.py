"""Transforms and kernels of the methods: spectra, rotations, thresholds, and their host forms."""
