"""Seconds surpyval takes for the mean cumulative functions of the groups in a file, and where the first one ends.

python mean_cumulative.py FILE    with surpyval, which needs an environment of its own
"""

import sys
import time

import numpy as np
from surpyval import NonParametricCounting

data = np.load(sys.argv[1])
order = np.argsort(data["group"], kind="stable")
parts = np.split(order, np.flatnonzero(np.diff(data["group"][order])) + 1)
began = time.process_time()
fits = [NonParametricCounting.fit(data["age"][part], i=data["unit"][part], c=data["is_end"][part]) for part in parts]
print(f"seconds,{time.process_time() - began}")
print(f"mean,{fits[0].mcf_hat[-1]}")
print(f"error,{np.sqrt(fits[0].var[-1])}")
