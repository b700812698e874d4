# SPDX-License-Identifier: Apache-2.0
"""An independent forward model for tests: exact skin shapes, exact Lambert shading, dots, noise.

Nothing here is shared with the package's own virtual fingertip: slopes are analytic, light follows
Lambert's cosine law (Photometria, 1760) from three near point sources.
"""

import numpy as np

# where the lights stand: 22 mm from the centre, 12 mm behind the skin, 120 degrees apart (b, g, r)
LIGHTS = np.array([[0.022 * np.cos(t), 0.022 * np.sin(t), 0.012]
                   for t in np.deg2rad([90, 210, 330])])
GAMMA = 1.8
GREY = 110.0         # of the unsloped skin in the middle
MIXING = np.array([[0.90, 0.07, 0.03], [0.06, 0.88, 0.06], [0.03, 0.09, 0.88]])   # cross-talk


def hertz_skin(x, y, radius, approach, centre=(0.0, 0.0)):
    """Depth and slope of a half-space pressed by a sphere (Johnson, Contact Mechanics, eq. 3.42).

    Inside the contact circle the skin is the (parabolic) sphere itself.

    Returns
    -------
    depth, gx, gy, contact
    """
    dx, dy = x - centre[0], y - centre[1]
    r = np.hypot(dx, dy)
    a = np.sqrt(radius * approach)
    inside = r <= a
    t = np.minimum(a / np.maximum(r, 1e-12), 1.0)
    root = np.sqrt(1 - t ** 2)
    depth = np.where(inside, approach - r ** 2 / (2 * radius),
                     ((2 * a ** 2 - r ** 2) * np.arcsin(t) + r * a * root) / (np.pi * radius))
    slope = np.where(inside, -r / radius,
                     2 * (a * root - r * np.arcsin(t)) / (np.pi * radius))
    safe = np.maximum(r, 1e-12)
    return depth, slope * dx / safe, slope * dy / safe, inside


def sphere_cap(x, y, radius, approach, centre=(0.0, 0.0)):
    """A rigid sphere sunk into a plane that stays flat: exact circle cut, depth 0 outside."""
    dx, dy = x - centre[0], y - centre[1]
    r2 = dx ** 2 + dy ** 2
    a2 = radius ** 2 - (radius - approach) ** 2
    root = np.sqrt(np.maximum(radius ** 2 - r2, 1e-12))
    inside = r2 < a2
    depth = np.where(inside, root - (radius - approach), 0.0)
    return depth, np.where(inside, -dx / root, 0.0), np.where(inside, -dy / root, 0.0), inside


def dots(x, y, *, pitch=1.5e-3, diameter=0.5e-3, shift=(0.0, 0.0)):
    """Reflectance of a skin with a square lattice of dark dots, soft-edged over a pixel."""
    u = (x - shift[0] + pitch / 2) % pitch - pitch / 2
    v = (y - shift[1] + pitch / 2) % pitch - pitch / 2
    ink = np.clip((diameter / 2 - np.hypot(u, v)) / 60e-6 + 0.5, 0, 1)
    return 1 - 0.75 * ink


def picture(geometry, skin, *, reflectance=1.0, light=(1.0, 1.0, 1.0), noise=0.0, rng=None,
            near=False):
    """8-bit picture of a skin.

    Parameters
    ----------
    geometry : ImageGeometry
    skin : callable(x, y) -> depth, gx, gy, contact
    reflectance : float or (H, W)
    light : (3,)
        LED gain, b g r.
    noise : float
        Standard deviation in grey levels.
    rng : numpy Generator, needed with noise
    near : bool
        Whether skin that is pressed in comes closer to the plane of the lights.

    Returns
    -------
    (H, W, 3) uint8
    """
    x, y = np.meshgrid(*geometry.axes())
    depth, gx, gy, _ = skin(x, y)
    leds = []
    for position in LIGHTS:
        to = position[:, None, None] - np.stack([x, y, depth if near else np.zeros_like(x)])
        distance = np.sqrt((to ** 2).sum(0))
        # normal of the inner side: the surface point is (x, y, -depth) seen from the camera
        cosine = (to[2] - to[0] * gx - to[1] * gy) / distance / np.sqrt(1 + gx ** 2 + gy ** 2)
        middle = np.linalg.norm(position)
        level = np.maximum(cosine, 0) / distance ** 2 * middle ** 3 / position[2]
        leds.append(level)
    linear = np.tensordot(MIXING, np.array(light)[:, None, None] * np.array(leds), 1)
    grey = GREY * np.power(linear * reflectance, 1 / GAMMA)
    grey = np.moveaxis(grey, 0, -1)
    if noise:
        grey = grey + rng.normal(0, noise, grey.shape)
    return np.clip(np.round(grey), 0, 255).astype(np.uint8)


def light_ratios(x, y):
    """Exact a and b of the channels of `picture`: direction of the light over its height."""
    to = LIGHTS[:, :, None, None] - np.stack([x, y, np.zeros_like(x)])
    share = MIXING[:, :, None, None] / np.sqrt(np.square(to).sum(axis=1)) ** 3
    share = share / share.sum(axis=1, keepdims=True)
    return ((share * to[:, 0] / to[:, 2]).sum(axis=1), (share * to[:, 1] / to[:, 2]).sum(axis=1))


def flat(x, y):
    """The untouched skin."""
    zero = np.zeros_like(x)
    return zero, zero, zero, zero.astype(bool)
