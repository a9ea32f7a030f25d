"""Small films drawn from closed forms: the path of a ray through balls and shells, for tests of edge finding.

Not a phantom: no anatomy. A head is a ball with a dense plate; a socket is a dense shell over part of the
circle at the joint space's distance; soft tissue is a slope.
"""

import numpy as np
from scipy.ndimage import gaussian_filter

MM_PER_PX = 0.21
HEAD = (182.4, 171.7)  # column, row of the head's centre


def path_mm(distance_mm, radius_mm):
    return 2 * np.sqrt(np.maximum(radius_mm**2 - distance_mm**2, 0.0))


def head_film(
    radius_mm=24.0,
    joint_mm=3.0,
    socket=1.0,
    blur_px=1.4,
    noise=6.0,
    flat_mm=0.0,
    seed=0,
    size=(360, 360),
    centre=HEAD,
    mm_per_px=MM_PER_PX,
):
    """Film (rows, cols), bone bright; the neck leaves toward lower left; `flat_mm` cuts the dome."""
    rng = np.random.default_rng(seed)
    rows, cols = np.indices(size)
    x, y = (cols - centre[0]) * mm_per_px, (rows - centre[1]) * mm_per_px
    d = np.hypot(x, y)
    angle = np.degrees(np.arctan2(-y, x))  # 0 right (medial), 90 up
    grey = 0.35 * path_mm(d, radius_mm) + 0.9 * (path_mm(d, radius_mm) - path_mm(d, radius_mm - 0.9))
    if flat_mm:
        inside = y > -(radius_mm - flat_mm)
        grey = np.where(inside, grey, 0.0)
    # The neck: a round bar toward the lower left.
    along, across = -(x - y) / np.sqrt(2), (x + y) / np.sqrt(2)
    bar = np.where(along > 0, path_mm(across, 0.62 * radius_mm), 0.0)
    bar = 0.35 * bar + 0.9 * (bar - np.where(along > 0, path_mm(across, 0.62 * radius_mm - 0.9), 0))
    # Inside the neck the head has no outline of its own.
    share = np.clip((along / radius_mm - 0.4) / 0.5, 0, 1)
    share = np.where(np.abs(across) < 0.62 * radius_mm, share * share * (3 - 2 * share), 0.0)
    grey = (1 - share) * np.maximum(grey, bar) + share * bar
    r_socket = radius_mm + joint_mm
    roof = (angle > -35) & (angle < 125)
    shell = np.where(roof & (d > r_socket), np.exp(-(((d - r_socket - 1.0) / 1.1) ** 2)), 0.0)
    grey = grey + socket * (26.0 * shell + np.where(roof & (d > r_socket), 9.0, 0.0))
    grey = grey + 0.02 * (x - y) + 20.0
    return 40.0 * gaussian_filter(grey, blur_px) + rng.normal(0, noise, size)


def ball_film(centre=(90.3, 85.8), diameter_px=60.0, blur_px=0.8, strength=0.12, bone=True, noise=4.0, seed=0):
    """A metal ball: light falls exponentially through it, is blurred, and the film shows the logarithm."""
    rng = np.random.default_rng(seed)
    n, fine = 180, 4
    at = (np.arange(n * fine) + 0.5) / fine - 0.5
    x, y = np.meshgrid(at - centre[0], at - centre[1])
    light = np.exp(-strength * path_mm(np.hypot(x, y), diameter_px / 2))
    light = gaussian_filter(light, blur_px * fine).reshape(n, fine, n, fine).mean(axis=(1, 3))
    shadow = -np.log(light + 0.05)
    cols = np.arange(n)[None] * np.ones((n, 1))
    if bone:
        shadow = shadow + 0.15 / (1 + np.exp((cols - 120) / 3))
    return 900 * (shadow - shadow.min()) + rng.normal(0, noise, (n, n))


def shaft_film(width_mm=28.0, canal_mm=14.0, lean_deg=8.0, blur_px=1.2, noise=5.0, size=(420, 300), mm_per_px=0.21):
    """A round tube leaning by `lean_deg`; its axis passes through the middle of the film."""
    rng = np.random.default_rng(0)
    rows, cols = np.indices(size)
    middle = np.array([(size[1] - 1) / 2, (size[0] - 1) / 2])
    a = np.radians(lean_deg)
    across = ((cols - middle[0]) * np.cos(a) - (rows - middle[1]) * np.sin(a)) * mm_per_px
    grey = path_mm(across, width_mm / 2) - 0.8 * path_mm(across, canal_mm / 2) + 0.04 * cols * mm_per_px
    axis = np.array([np.sin(a), np.cos(a)])
    return 60.0 * gaussian_filter(grey, blur_px) + rng.normal(0, noise, size), middle, axis
