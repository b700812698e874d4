# SPDX-License-Identifier: Apache-2.0
"""What the camera sees: point lamps over a bent skin with painted dots, or a scene behind it.

Lamps light the skin from inside with inverse-square fall-off; the skin reflects after Lambert
with a weak lobe (J. F. Blinn, SIGGRAPH 1977); colours cross into each other's channels, the lens
distorts and darkens towards its corners, the camera has shot and read noise and its own response.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from tests.accuracy.fingertip import HEIGHT, WIDTH

_MARGIN = 2.5e-3           # m of skin kept around the image
_FINE = 3e-5               # m, cells of the painted texture


@dataclass(frozen=True)
class Scene:
    """Everything about the light at one moment.

    Attributes
    ----------
    levels : tuple of float
        Light of the red, green and blue lamps, 1 nominal.
    time : float
        s; moves what is behind a clear skin.
    """

    levels: tuple = (1.0, 1.0, 1.0)
    time: float = 0.0


class SkinWindow:
    """Displacement of the skin around the image and its slopes, for one solved moment."""

    def __init__(self, grid, metres_per_px):
        half = (HEIGHT * metres_per_px / 2 + _MARGIN, WIDTH * metres_per_px / 2 + _MARGIN)
        self.rows = slice(*np.searchsorted(grid.y, [-half[0], half[0]]))
        self.columns = slice(*np.searchsorted(grid.x, [-half[1], half[1]]))
        self.grid = grid
        self.first = float(grid.x[self.columns.start]), float(grid.y[self.rows.start])

    def fields(self, solver, state):
        """(9, rows, columns) float32: ux, uy, uz, then d/dx of the three, then d/dy."""
        traction = np.zeros((3, *self.grid.shape), np.float32)
        box = tuple(slice(c, c + n) for c, n in zip(solver.corner, solver.size, strict=True))
        traction[0][box], traction[1][box] = state.shear
        traction[2][box] = -state.pressure
        u = self.grid.displacement(traction)
        dy, dx = np.gradient(u, self.grid.pitch, axis=(1, 2))
        return np.concatenate([u, dx, dy])[:, self.rows, self.columns].astype(np.float32)


class Optics:
    """Pictures of one fingertip.

    Parameters
    ----------
    fingertip : tests.accuracy.fingertip.Fingertip
    window : SkinWindow
    seed : int
        Of the noise.
    """

    def __init__(self, fingertip, window, seed):
        self.tip, self.window = fingertip, window
        self._rng = np.random.default_rng([417, seed])
        paint = np.random.default_rng([418, fingertip.seed])
        self._place()
        self._paint(paint)
        self._pattern = (1 + fingertip.camera.pattern * paint.normal(
            0, 1, (HEIGHT, WIDTH, 3))).astype(np.float32)
        self._noise = self._rng.standard_normal((2 * HEIGHT, 2 * WIDTH, 3), dtype=np.float32)
        self._scene = _scenery(paint) if fingertip.kind == 'clear_markers' else None
        self._object = self._scene[:600, 900:] if self._scene is not None else None
        self._still_paint = self._painted(self._paintwork, self.x, self.y)
        self._expose_flat()

    def _place(self):
        """Where on the plane of the skin every pixel looks, with the lens's distortion."""
        camera = self.tip.camera
        v, u = np.mgrid[:HEIGHT, :WIDTH].astype(np.float32)
        u, v = u - (WIDTH - 1) / 2, v - (HEIGHT - 1) / 2
        corner2 = (WIDTH / 2) ** 2 + (HEIGHT / 2) ** 2
        r2 = (u * u + v * v) / corner2
        scale = camera.metres_per_px * (1 + camera.distortion * r2)
        self.x, self.y = (u * scale).astype(np.float32), (v * scale).astype(np.float32)
        self._fall = (1 - camera.vignetting * r2)[..., None].astype(np.float32)

    def _expose_flat(self):
        """Light on the untouched skin, and the exposure at which nothing is overexposed."""
        even = np.zeros((HEIGHT, WIDTH, 3), np.float32)
        self._exposure, self._spread = 1.0, np.float32(0)
        flat = self._light_of(even, self.x, self.y)
        self._spread = self.tip.diffuse * flat.mean(axis=(0, 1))
        flat += self._spread
        self._exposure = 0.62 / float(np.percentile((flat * self._fall).max(axis=2), 99))
        self._flat = flat * self._exposure
        grey = 255 * np.linspace(0, 1, 4096) ** (1 / self.tip.camera.gamma)
        self._response = np.rint(grey).astype(np.uint8)

    def _paint(self, rng):
        """Reflectance of the skin where it is drawn: dots, and a faint texture of its own."""
        reach = 1.6 * max(WIDTH, HEIGHT) * self.tip.camera.metres_per_px / 2
        n = int(2 * reach / _FINE)
        self._paint_origin = -reach
        texture = cv2.GaussianBlur(rng.normal(0, 1, (n, n)).astype(np.float32), (0, 0), 3)
        clear = self.tip.kind == 'clear_markers'
        self._paintwork = np.ones((n, n), np.float32) if clear \
            else (1 + 0.015 * texture / texture.std()).astype(np.float32)
        if self.tip.has_markers:
            self._paintwork *= 1 - 0.85 * self._dots(n, reach, rng)

    def _dots(self, n, reach, rng):
        """(n, n) how far a place is covered by the paint of a dot, 0 to 1."""
        dots = np.zeros((n, n), np.float32)
        count = int(reach / self.tip.pitch) + 2
        i, j = np.mgrid[-count:count, -count:count].reshape(2, -1)
        c, s = np.cos(self.tip.dot_angle), np.sin(self.tip.dot_angle)
        off = rng.uniform(-0.5, 0.5, 2)
        x = self.tip.pitch * (c * (i + off[0]) - s * (j + off[1]))
        y = self.tip.pitch * (s * (i + off[0]) + c * (j + off[1]))
        x, y = (a + rng.normal(0, 0.012e-3, a.shape) for a in (x, y))
        for px, py, r in zip(x, y, self.tip.dot / 2 * rng.normal(1, 0.03, x.shape), strict=True):
            at = ((px - self._paint_origin) / _FINE, (py - self._paint_origin) / _FINE)
            cv2.circle(dots, tuple(round(a * 64) for a in at), round(r / _FINE * 64), 1.0,
                       -1, cv2.LINE_AA, 6)
        return cv2.GaussianBlur(dots, (0, 0), 0.02e-3 / _FINE)

    def _painted(self, texture, x, y):
        o = self._paint_origin
        return cv2.remap(texture, (x - o) / _FINE, (y - o) / _FINE, cv2.INTER_LINEAR,
                         borderMode=cv2.BORDER_REFLECT)

    def _light(self, bent):
        """(H, W, 3) light of the red, green and blue lamps off a skin (slope x, slope y, rise).

        Only where the skin is bent by more than can be seen; in strips that stay in the cache.
        """
        lit = self._flat.copy()
        changed = (np.abs(bent).max(axis=2) > 5e-4) | (np.abs(bent[..., 2]) > 6e-6)
        rows, columns = (np.flatnonzero(changed.any(axis=a)) for a in (1, 0))
        if not rows.size:
            return lit
        part = slice(columns[0], columns[-1] + 1)
        for first in range(rows[0], rows[-1] + 1, 12):
            strip = slice(first, min(first + 12, rows[-1] + 1)), part
            lit[strip] = self._light_of(bent[strip], self.x[strip], self.y[strip])
        return lit

    def _light_of(self, bent, x, y):
        sx, sy, rise = (np.ascontiguousarray(bent[..., i]) for i in range(3))
        norm = np.sqrt(1 + sx * sx + sy * sy)
        lit = np.zeros((*x.shape, 3), np.float32)
        for lamp in self.tip.lamps:
            lx, ly = lamp.place[0] - x, lamp.place[1] - y
            lz = rise - lamp.place[2]          # how far inside the lamp is, seen from the skin
            across2 = lx * lx + ly * ly
            d2 = across2 + lz * lz
            d = np.sqrt(d2)
            facing = sx * lx + sy * ly + lz
            # Half way between the lamp and the camera straight below.
            lobe = np.maximum(facing + d, 0) / (norm * np.sqrt(across2 + (lz + d) ** 2))
            for _ in range(4):         # to the 16th
                lobe *= lobe
            lit[..., lamp.colour] += lamp.power * 4e-4 / d2 * (
                np.maximum(facing, 0) / (norm * d) + self.tip.specular * lobe)
        return (lit + self._spread) * self._exposure

    def _where(self, fields):
        """Material place (x, y) and (slope x, slope y, rise) that every pixel sees."""
        pitch, (x0, y0) = self.window.grid.pitch, self.window.first
        plane = np.ascontiguousarray(np.moveaxis(fields[:2], 0, -1))
        x, y = self.x, self.y
        for _ in range(4):
            moved = cv2.remap(plane, (x - x0) / pitch, (y - y0) / pitch, cv2.INTER_LINEAR)
            x, y = self.x - moved[..., 0], self.y - moved[..., 1]
        xx, yx, zx, xy, yy, zy = fields[3:]
        # Slopes over where the skin now is: (I + grad u)^-T applied to those over where it was.
        whole = (1 + xx) * (1 + yy) - xy * yx
        bent = np.stack([((1 + yy) * zx - yx * zy) / whole, ((1 + xx) * zy - xy * zx) / whole,
                         fields[2]], axis=-1)
        return x, y, cv2.remap(bent, (x - x0) / pitch, (y - y0) / pitch, cv2.INTER_LINEAR)

    def depth(self, fields):
        """(H, W) float32 true indentation seen by every pixel, m."""
        return -self._where(fields)[2][..., 2]

    def image(self, fields=None, scene=Scene(), touching=None):          # noqa: B008
        """(H, W, 3) uint8 picture, blue green red.

        Parameters
        ----------
        fields : ndarray, optional
            From `SkinWindow.fields`; the untouched skin without.
        scene : Scene
        touching : tuple, optional
            Indenter and its Pose, to be seen through a clear skin.
        """
        if fields is None:
            x, y, rise = self.x, self.y, 0.0
            lit = self._flat
        else:
            x, y, bent = self._where(fields)
            rise = bent[..., 2]
            lit = self._light(bent) if self._scene is None else self._flat
        paint = self._still_paint if fields is None else self._painted(self._paintwork, x, y)
        if self._scene is None:
            seen = lit * np.asarray(scene.levels, np.float32)
        else:
            seen = self._behind(scene, touching, rise)
        seen = seen * paint[..., None]
        return self._expose(seen + self.tip.ambient * self._exposure)

    def _behind(self, scene, touching, rise):
        """(H, W, 3) scene that moves behind a clear skin, and the object close to it."""
        t = scene.time
        at = (700 + 260 * np.sin(0.31 * t) + 90 * np.sin(1.7 * t),
              560 + 210 * np.sin(0.23 * t + 1) + 60 * np.sin(2.3 * t))
        seen = cv2.getRectSubPix(self._scene, (WIDTH, HEIGHT), at)
        seen = seen * np.asarray(scene.levels, np.float32) * (0.85 + 0.15 * np.sin(0.11 * t))
        if touching is None:
            return seen
        indenter, pose = touching
        dx, dy = self.x - np.float32(pose.x), self.y - np.float32(pose.y)
        c, s = np.cos(pose.turn), np.sin(pose.turn)
        u, v = c * dx + s * dy, c * dy - s * dx
        gap = np.maximum(indenter(u, v) - pose.depth - rise, 0).astype(np.float32)
        near = np.exp(-gap / 8e-4)[..., None]
        skin = cv2.remap(self._object, (300 + u / 6e-5).astype(np.float32),
                         (300 + v / 6e-5).astype(np.float32), cv2.INTER_LINEAR,
                         borderMode=cv2.BORDER_REFLECT)
        return seen * (1 - near) + 0.8 * skin * near * np.asarray(scene.levels, np.float32)

    def _expose(self, light):
        camera = self.tip.camera
        signal = light @ camera.crosstalk.T.astype(np.float32)
        signal *= self._fall * self._pattern
        row, column = (int(self._rng.integers(n)) for n in (HEIGHT, WIDTH))
        noise = self._noise[row:row + HEIGHT, column:column + WIDTH]
        if self._rng.random() < 0.5:
            noise = noise[::-1]
        signal += noise * np.sqrt(np.maximum(signal, 0) / camera.electrons
                                  + camera.read_noise ** 2)
        np.clip(signal, 0, 1, out=signal)
        return self._response[(signal[..., ::-1] * 4095 + 0.5).astype(np.uint16)]


def _scenery(rng):
    """(1200, 1500, 3) float32 out-of-focus scene of many sizes, about 0.1 to 0.7."""
    total = 0
    for cell, weight in ((10, 0.5), (35, 1.0), (120, 1.0)):
        coarse = rng.normal(0, 1, (1200 // cell, 1500 // cell, 3)).astype(np.float32)
        rough = cv2.resize(coarse, (1500, 1200), interpolation=cv2.INTER_CUBIC)
        total = total + weight * rough / rough.std()
    return np.clip(0.38 + 0.11 * total, 0.05, 0.9).astype(np.float32)
