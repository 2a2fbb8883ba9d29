"""Spots as a page of plain code finds them, to read the figures of the bench against."""

import math

import numpy as np
from scipy import ndimage

from tests.truth.fields import Field


def textbook(truth: Field) -> list[tuple[float, float, float, float]]:
    """Return place, diameter in pixels and contrast of spots as a page of code finds them, told where the field is.

    A field over its running median; 5 robust deviations of the smoothed rest or 3 %, whichever is more; connected
    regions; contrast from the upper quarter of a region, diameter from the area beyond half of it.
    """
    coarse = ndimage.median_filter(truth.exposure[::4, ::4], 25)
    light = ndimage.zoom(coarse, np.divide(truth.exposure.shape, coarse.shape), order=1)
    y, x = np.indices(truth.exposure.shape)
    inside = np.hypot(x - truth.x, y - truth.y) < 0.96 * truth.radius_px
    relief = np.where(inside, truth.exposure / np.maximum(light, 1e-6) - 1, 0)
    smoothed = ndimage.gaussian_filter(relief, 1.2)
    limit = max(5 * 1.4826 * float(np.median(np.abs(smoothed[inside]))), 0.03)
    found = []
    for sign in (-1, 1):
        names, _ = ndimage.label(sign * smoothed > limit)
        for name, part in enumerate(ndimage.find_objects(names), start=1):
            region = names[part] == name
            if region.sum() < 8:
                continue
            depths = sign * relief[part] * region
            contrast = float(np.mean(np.sort(depths[region])[-max(1, region.sum() // 4) :]))
            row, col = ndimage.center_of_mass(np.maximum(depths, 0))
            area = float((ndimage.gaussian_filter(depths, 0.5) > contrast / 2).sum())
            found.append((part[1].start + col, part[0].start + row, 2 * math.sqrt(area / math.pi), contrast))
    return found
