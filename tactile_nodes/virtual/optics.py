# SPDX-License-Identifier: Apache-2.0
"""What the camera behind the clear layer sees: coloured light, slopes, printed markers, noise.

Model, common practice, no source unless said: orthographic view of a Lambertian skin; one LED
strip per colour at the rim (a line source: brightness falls with distance), light scattered in
the layer, cross-talk between the colour channels; photon and read noise, 8-bit square-root
digitiser, power-law tone curve. Shadows, refraction and light thrown from skin to skin are left
out. Nothing here is shared with the estimators, so that they are not tested against themselves.
"""

import hashlib
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.interpolate import CubicSpline

from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.types import ElastomerKind
from tactile_nodes.errors import DataError

FIELD_WIDTH = 19.2e-3          # m of skin across the image: 0.06 mm/px at 320 px
REFERENCE_EXPOSURE = 8e-3      # s
_LED_DISTANCE = 20e-3          # from the tip's axis, m
_BRIGHTNESS = 0.46             # of saturation: flat skin at the origin, full level, no gain
_SCATTERED = 0.06              # share of a LED's light that comes from all sides
_ROOM = 2e-4                   # of saturation: light that leaks in from outside
_MARKER_ALBEDO = 0.12
_MARKER_EDGE = 0.04e-3         # m, softness of a printed edge
_ALBEDO_OVERSAMPLING = 2
_NOISE_MARGIN = 64             # px, how far the noise bank can be shifted each way
_CLEAR_DOT, _CLEAR_SCENE = 0.06, (0.22, 0.5)   # albedo of dots, of what is seen behind them


@dataclass(frozen=True)
class Optics:
    """The true optical parameters of one virtual fingertip: what a calibration would estimate.

    Tuples of three are for the red, green and blue LED.

    Attributes
    ----------
    serial : str
    scale : float
        Width of the field of view, as a factor on `FIELD_WIDTH`.
    led_azimuth : tuple of float
        Direction of each LED seen from the origin, rad from x towards y.
    led_elevation : tuple of float
        Angle of each LED above the skin, seen from the origin, rad.
    led_strength : tuple of float
    crosstalk : tuple of tuple of float
        Row per colour channel (red, green, blue): how much of each LED it sees.
    gamma : float
        Grey level = 255 * (brightness / saturation) ** gamma.
    full_well : float
        Electrons at saturation and gain 1 (photon noise).
    read_noise : float
        Electrons.
    print_error : float
        Standard deviation of a printed marker's position, m.
    lattice_shift : tuple of float
        Where the marker lattice sits, as fractions of the pitch.
    lattice_turn : float
        rad.
    """

    serial: str
    scale: float
    led_azimuth: tuple[float, float, float]
    led_elevation: tuple[float, float, float]
    led_strength: tuple[float, float, float]
    crosstalk: tuple[tuple[float, float, float], ...]
    gamma: float
    full_well: float
    read_noise: float
    print_error: float
    lattice_shift: tuple[float, float]
    lattice_turn: float

    def geometry(self, width, height):
        """ImageGeometry with this fingertip's true scale, for an image size in pixels."""
        return ImageGeometry(height, width, FIELD_WIDTH * self.scale / width)


def _generator(serial, purpose):
    """Return a Generator that depends on nothing but the serial and the purpose."""
    digest = hashlib.sha256(f'{serial}/{purpose}'.encode()).digest()
    return np.random.default_rng(np.frombuffer(digest, np.uint32))


def optics_of(serial):
    """Return the Optics of the virtual fingertip with this serial, always the same ones."""
    rng = _generator(serial, 'optics')
    crosstalk = np.eye(3) + rng.uniform(0.02, 0.06, (3, 3)) * (1 - np.eye(3))
    return Optics(
        serial=serial,
        scale=1 + rng.uniform(-0.01, 0.01),
        led_azimuth=tuple(np.deg2rad([90, 210, 330] + rng.normal(0, 3, 3)).tolist()),
        led_elevation=tuple(np.deg2rad(29 + rng.normal(0, 1.5, 3)).tolist()),
        led_strength=tuple((1 + rng.normal(0, 0.06, 3)).tolist()),
        crosstalk=tuple(map(tuple, crosstalk.tolist())),
        gamma=0.6 * (1 + rng.uniform(-0.04, 0.04)),
        full_well=8000.0, read_noise=2.0, print_error=0.02e-3,
        lattice_shift=tuple(rng.uniform(-0.3, 0.3, 2).tolist()),
        lattice_turn=float(np.deg2rad(rng.normal(0, 0.5))))


class SkinCamera:
    """Pictures of one fingertip's skin.

    Parameters
    ----------
    elastomer : Elastomer
    optics : Optics
    geometry : ImageGeometry
        From `optics.geometry(width, height)`.
    x, y : (nx,), (ny,)
        Even grid of the displacement fields, m in the tip frame; must cover the image.

    Attributes
    ----------
    markers : (N, 2) float64
        Rest positions x, y of the printed markers, m; includes some outside the image.
    """

    def __init__(self, elastomer, optics, geometry, x, y):
        self.elastomer, self.optics, self.geometry = elastomer, optics, geometry
        image_x, image_y = geometry.axes()
        for name, grid, pixels in (('x', x, image_x), ('y', y, image_y)):
            if grid[0] > pixels[0] or grid[-1] < pixels[-1]:
                raise DataError('the displacement grid does not cover the image', where=name,
                                found=f'{grid[0] * 1e3:.2f} to {grid[-1] * 1e3:.2f} mm',
                                expected=f'{pixels[0] * 1e3:.2f} to {pixels[-1] * 1e3:.2f} mm')
        self._grid = np.stack(np.meshgrid(np.arange(len(x)), np.arange(len(y))), -1
                              ).astype(np.float32)
        self._cells_per_metre = np.float32([1 / (x[1] - x[0]), 1 / (y[1] - y[0])])
        self._slope_x = _spline_matrix(x, x, 1).T.copy()
        self._slope_y = _spline_matrix(y, y, 1)
        # shading is smooth: computed on a grid of about 160 cells, one cell wider all round
        self._factor = f = geometry.work_factor
        work_x, work_y = (_one_more(axis) for axis in geometry.work.axes())
        self._work_shape = (len(work_y), len(work_x))
        self._up_x = _spline_matrix(x, np.clip(work_x, x[0], x[-1])).T.copy()
        self._up_y = _spline_matrix(y, np.clip(work_y, y[0], y[-1]))
        self._crop = (slice(f, f + geometry.height_px), slice(f, f + geometry.width_px))
        self._lights, self._scattered = _light_maps(optics, work_x, work_y)
        self._rng = _generator(optics.serial, 'noise')
        m = _NOISE_MARGIN
        self._noise = self._rng.standard_normal(
            (geometry.height_px + m, geometry.width_px + m, 3), dtype=np.float32)
        self.markers = np.empty((0, 2))
        if elastomer.kind.has_markers:
            self._print_markers(work_x, work_y)
        self._black = optics.read_noise ** 2 / optics.full_well
        self._tone = {}

    def brightness(self, displacement, light):
        """Light on the sensor at `REFERENCE_EXPOSURE` and gain 1, before noise and response.

        Parameters
        ----------
        displacement : (3, ny, nx) float32
            Of the skin, at the material points of the grid, m.
        light : Light

        Returns
        -------
        (H, W, 3) float32
            Fraction of saturation; blue, green, red.
        """
        return self._brightness(displacement, light, 1.0)

    def picture(self, displacement, light, exposure, gain):
        """One exposed frame, (H, W, 3) uint8, blue, green, red; `exposure` in seconds."""
        level = self._brightness(displacement, light, gain * exposure / REFERENCE_EXPOSURE)
        # sqrt(signal + c) has the same noise everywhere (Anscombe, Biometrika 35 (1948) 246)
        black = gain * self._black
        cv2.sqrt(cv2.add(level, (black, black, black, 0), dst=level), dst=level)
        row, column = self._rng.integers(0, _NOISE_MARGIN, 2)
        noise = self._noise[row:row + level.shape[0], column:column + level.shape[1]]
        root = cv2.addWeighted(level, 255, noise, 127.5 * np.sqrt(gain / self.optics.full_well),
                               0, dtype=cv2.CV_8U)
        return cv2.LUT(root, self._tone_curve(black))

    def _tone_curve(self, black):
        if black not in self._tone:
            signal = np.clip((np.arange(256) / 255) ** 2 - black, 0, 1)
            self._tone = {black: np.rint(255 * signal ** self.optics.gamma).astype(np.uint8)}
        return self._tone[black]

    def _brightness(self, displacement, light, factor):
        slope_x, slope_y, moved = self._as_seen(displacement)
        led = np.array([light.red, light.green, light.blue]) * factor
        mixing = (np.array(self.optics.crosstalk) * led)[::-1].astype(np.float32)
        if self.elastomer.kind.has_shading:
            lx, ly, lz = self._lights
            facing = lx * slope_x
            facing += ly * slope_y
            facing += lz
            facing *= 1 / np.sqrt(1 + slope_x * slope_x + slope_y * slope_y)
            np.maximum(facing, 0, out=facing)
            facing += self._scattered
        else:
            facing = self._lights[2] + self._scattered
        colour = mixing @ facing
        colour += np.float32(_ROOM * factor)
        colour = cv2.merge(list(colour.reshape(3, *self._work_shape)))
        colour = self._full_size(colour)
        if self.elastomer.kind.has_markers:
            self._blend_markers(colour, moved)
        return colour

    def _as_seen(self, displacement):
        """Slopes (N,) and in-plane displacement (2, N) at fixed places of the image.

        The fields come at material points, which the camera sees where they have moved to.
        """
        u = np.ascontiguousarray(displacement, np.float32)
        ny, nx = u.shape[1:]
        along_x = (u.reshape(-1, nx) @ self._slope_x).reshape(u.shape)
        along_y = np.matmul(self._slope_y, u)
        # slope = d(uz)/dX F^-1 with F = 1 + d(ux, uy)/dX
        a, b, c, d = 1 + along_x[0], along_y[0], along_x[1], 1 + along_y[1]
        det = a * d - b * c
        slope = cv2.merge([(along_x[2] * d - along_y[2] * c) / det,
                           (along_y[2] * a - along_x[2] * b) / det])
        moved = in_plane = cv2.merge([u[0], u[1]])
        for _ in range(3):                       # x = X + u(X) solved for X
            source = self._grid - moved * self._cells_per_metre
            moved = cv2.remap(in_plane, source, None, cv2.INTER_LINEAR,
                              borderMode=cv2.BORDER_REPLICATE)
        slope = cv2.remap(slope, source, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        fields = np.concatenate([slope, moved], axis=2).transpose(2, 0, 1).reshape(4 * ny, nx)
        fields = np.matmul(self._up_y, (fields @ self._up_x).reshape(4, ny, -1)).reshape(4, -1)
        return fields[0], fields[1], fields[2:]

    def _full_size(self, field):
        """Work grid with its extra cells to the image."""
        f = self._factor
        if f > 1:
            field = cv2.resize(field, None, fx=f, fy=f, interpolation=cv2.INTER_LINEAR)
        return field[self._crop]

    def _print_markers(self, work_x, work_y):
        elastomer, optics, geometry = self.elastomer, self.optics, self.geometry
        rng = _generator(optics.serial, 'markers')
        pitch = elastomer.marker_pitch
        reach = np.array([geometry.width_px, geometry.height_px]) * geometry.metres_per_px / 2
        margin = 1.5e-3
        # a fixed count, so that every image size of a serial shows the same print
        count = int(np.ceil(FIELD_WIDTH / pitch))
        index = np.stack(np.meshgrid(*[np.arange(-count, count + 1)] * 2), -1).reshape(-1, 2)
        c, s = np.cos(optics.lattice_turn), np.sin(optics.lattice_turn)
        at = (index + optics.lattice_shift) @ np.array([[c, s], [-s, c]]) * pitch
        at = at + rng.normal(0, optics.print_error, at.shape)
        radius = elastomer.marker_diameter / 2 * (1 + rng.normal(0, 0.03, len(at)))
        keep = (np.abs(at) < reach + margin).all(axis=1)
        self.markers = at[keep]
        pixel = geometry.metres_per_px / _ALBEDO_OVERSAMPLING
        size = np.ceil((reach + margin) / pixel).astype(int)       # half, in albedo pixels
        albedo = np.ones((2 * size[1] + 1, 2 * size[0] + 1), np.float32)
        dark = _MARKER_ALBEDO if elastomer.kind.has_shading else _CLEAR_DOT
        for (x, y), r in zip(self.markers, radius[keep]):
            _dot(albedo, x / pixel + size[0], y / pixel + size[1], r / pixel,
                 _MARKER_EDGE / pixel, dark)
        self._albedo = albedo
        self._albedo_at = np.stack(np.meshgrid(work_x / pixel + size[0], work_y / pixel + size[1])
                                   ).reshape(2, -1).astype(np.float32)
        self._albedo_per_metre = np.float32(1 / pixel)
        if not elastomer.kind.has_shading:
            scene = cv2.GaussianBlur(rng.random((64, 64)).astype(np.float32), (0, 0), 3)
            scene = cv2.resize(scene, (3 * geometry.width_px, 3 * geometry.height_px),
                               interpolation=cv2.INTER_CUBIC)
            low, high = _CLEAR_SCENE
            self._scene = cv2.normalize(scene, None, low, high, cv2.NORM_MINMAX)
            self._scene_step = 0

    def _blend_markers(self, colour, moved):
        source = self._albedo_at - moved * self._albedo_per_metre
        source = self._full_size(cv2.merge(list(source.reshape(2, *self._work_shape))))
        albedo = cv2.remap(self._albedo, source, None, cv2.INTER_LINEAR,
                           borderMode=cv2.BORDER_REPLICATE)
        if not self.elastomer.kind.has_shading:
            albedo = self._over_scene(albedo)
        cv2.multiply(colour, cv2.cvtColor(albedo, cv2.COLOR_GRAY2BGR), dst=colour)

    def _over_scene(self, albedo):
        """Dots over whatever is behind a clear layer, which drifts a little with every frame."""
        self._scene_step += 1
        phase = self._scene_step / 200
        row = int(self.geometry.height_px * (1 + np.sin(phase)))
        column = int(self.geometry.width_px * (1 + np.sin(0.7 * phase)))
        scene = self._scene[row:row + albedo.shape[0], column:column + albedo.shape[1]]
        covered = (1 - albedo) / (1 - _CLEAR_DOT)
        return scene + covered * (_CLEAR_DOT - scene)


def _one_more(axis):
    """Extend an even axis by one step at both ends."""
    step = axis[1] - axis[0]
    return np.concatenate([[axis[0] - step], axis, [axis[-1] + step]])


def _spline_matrix(grid, points, derivative=0):
    """(len(points), len(grid)) float32 matrix of cubic spline interpolation or its derivative."""
    spline = CubicSpline(grid, np.eye(len(grid)))
    return spline(points, derivative).astype(np.float32)


def _light_maps(optics, x, y):
    """Light per LED on the skin: (3 axes, 3 LEDs, N) towards the LED, and scattered (3, N)."""
    x, y = (field.ravel() for field in np.meshgrid(x, y))
    azimuth, elevation = np.array(optics.led_azimuth), np.array(optics.led_elevation)
    height = _LED_DISTANCE * np.tan(elevation)[:, None]
    to_led = np.stack([_LED_DISTANCE * np.cos(azimuth)[:, None] - x,
                       _LED_DISTANCE * np.sin(azimuth)[:, None] - y,
                       np.broadcast_to(height, (3, len(x)))])
    distance = np.linalg.norm(to_led, axis=0)
    at_origin = np.hypot(_LED_DISTANCE, height)
    falloff = np.array(optics.led_strength)[:, None] * at_origin / distance
    facing = _BRIGHTNESS * (1 - _SCATTERED) / np.sin(elevation)[:, None]
    lights = to_led / distance * falloff * facing
    return lights.astype(np.float32), (_BRIGHTNESS * _SCATTERED * falloff).astype(np.float32)


def _dot(albedo, column, row, radius, softness, dark):
    """Darken a soft-edged disc; all lengths in albedo pixels."""
    reach = radius + 3 * softness
    c0, c1 = max(0, int(column - reach)), min(albedo.shape[1], int(column + reach) + 2)
    r0, r1 = max(0, int(row - reach)), min(albedo.shape[0], int(row + reach) + 2)
    if c0 >= c1 or r0 >= r1:
        return
    distance = np.hypot(np.arange(c0, c1) - column, np.arange(r0, r1)[:, None] - row)
    cover = 1 / (1 + np.exp(np.clip((distance - radius) / (softness / 2), -30, 30)))
    patch = albedo[r0:r1, c0:c1]
    np.minimum(patch, 1 - (1 - dark) * cover, out=patch)
