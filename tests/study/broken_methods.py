"""Methods that break in every way that a study must survive."""

import os
import time

import numpy as np


def raises(patch, threshold):
    raise ValueError("a mistake of its own")


def hangs(patch, threshold):
    time.sleep(600)


def nan(patch, threshold):
    return np.full_like(patch, np.nan)


def other_shape(patch, threshold):
    return patch[:, :-1]


def ends_the_process(patch, threshold):
    print("last words")
    os._exit(7)


def doubles(patch, threshold):
    return -3 * patch


def keeps_strong(patch, threshold):
    return np.where(np.abs(patch) >= threshold, patch, 0)
