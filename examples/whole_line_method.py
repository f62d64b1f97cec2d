"""A method with a loop of its own: iterative soft thresholding of f-k spectra (ISTA).

    deblend compare examples/study.toml --out comparison

runs it beside others; `whole_line = true` in the study file says that it takes the whole line.

I. Daubechies, M. Defrise and C. De Mol, 2004, An iterative thresholding algorithm for linear
inverse problems with a sparsity constraint, Communications on Pure and Applied Mathematics 57(11),
1413-1457, doi:10.1002/cpa.20042.
"""

import numpy as np
import scipy.fft


def ista(record, shots, operator, length_s, iterations=30, last=0.003):
    """Gathers (shot, channel, time) of a record (channel, time)."""
    step = 1.0 / operator.blending.fold.max()  # the exact adjoint: no longer step is needed
    rows = [shots.rows_of(source) for source in shots.sources]
    gathers = np.zeros(operator.gathers_shape, np.float32)
    largest = None
    for strictness in np.geomspace(1.0, last, iterations):
        gathers += step * (operator.H @ (record - operator @ gathers))
        for own in rows:
            spectrum = scipy.fft.rfft2(gathers[own], axes=(0, 2))
            size = np.abs(spectrum)
            largest = largest or float(size.max())  # of the first source, once
            spectrum *= np.maximum(1.0 - strictness * largest / np.maximum(size, 1e-30), 0.0)
            gathers[own] = scipy.fft.irfft2(spectrum, (len(own), gathers.shape[2]), axes=(0, 2))
    return gathers
