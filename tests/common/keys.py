"""The resampling kernel of the references: Keys 1981 (cubic convolution), in
double precision."""
import numpy as np


def cubic(x):
    x = np.abs(x)
    near = 1.5 * x**3 - 2.5 * x**2 + 1
    far = -0.5 * x**3 + 2.5 * x**2 - 4 * x + 2
    return np.where(x < 1, near, np.where(x < 2, far, 0))


def kernel(size, out, start=0.0, length=None):
    """Rows: `out` places over `length` samples (all) from `start`; columns: the
    samples. Beyond an edge its sample is repeated."""
    step, pad = (length or size) / out, 24
    wide = max(step, 1.0)
    x = np.arange(-pad, size + pad) + 0.5
    centre = start + (np.arange(out) + 0.5) * step
    w = cubic((x[None, :] - centre[:, None]) / wide)
    w /= w.sum(axis=1, keepdims=True)
    folded = w[:, pad:pad + size].copy()
    folded[:, 0] += w[:, :pad].sum(axis=1)
    folded[:, -1] += w[:, pad + size:].sum(axis=1)
    return folded
