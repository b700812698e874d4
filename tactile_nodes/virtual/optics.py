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
from tactile_nodes.errors import DataError

FIELD_WIDTH = 19.2e-3          # m of skin across the image: 0.06 mm/px at 320 px
REFERENCE_EXPOSURE = 8e-3      # s
_LED_DISTANCE = 20e-3          # from the tip's axis, m
_BRIGHTNESS = 0.46             # of saturation: flat skin at the origin, full level, no gain
_SCATTERED = 0.06              # share of a LED's light that comes from all sides
_ROOM = 2e-4                   # of saturation: light that leaks in from outside
_MARKER_ALBEDO = 0.12
_MARKER_EDGE = 0.04e-3         # m, softness of a printed edge
_PRINT_OVERSAMPLING = 2
_PRINT_MARGIN = 1.5e-3         # m of print beyond the image, which shear can bring into view
_NOISE_SHIFTS = 64             # px, how far the bank of noise can be shifted each way
# Of images, roots are uint16, half the memory of float: caches are what rendering is short of
_DIGIT = 128                   # units of a root per step of the digitiser
_ONE = 255 * _DIGIT            # units of the root of saturation
_ALL = 65535                   # units of a cover that hides nothing
_BELOW = 64                    # steps that noise is raised by, so that it is not negative
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

    What depends on the skin alone (`as_seen`) is apart from exposing a frame (`picture`), because
    it can be done ahead: between two moments the fields seen may be interpolated.

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
        for name, grid, pixels in zip('xy', (x, y), geometry.axes(), strict=True):
            if grid[0] > pixels[0] or grid[-1] < pixels[-1]:
                raise DataError('the displacement grid does not cover the image', where=name,
                                found=f'{grid[0] * 1e3:.2f} to {grid[-1] * 1e3:.2f} mm',
                                expected=f'{pixels[0] * 1e3:.2f} to {pixels[-1] * 1e3:.2f} mm')
        # light and motion are worked out on a grid of 2 work cells, which reaches beyond the
        # image, so that resizing never has to guess at its border
        f = geometry.work_factor
        self._seen_axes = tuple(_coarser(axis) for axis in geometry.work.axes())
        self._crop = tuple(slice(2 * f, 2 * f + n) for n in geometry.shape)
        self._seen = _Seen(x, y, *self._seen_axes)
        self._lights, self._scattered = _light_maps(optics, *self._seen_axes)
        self._rng = _generator(optics.serial, 'noise')
        self._normal = self._rng.standard_normal(
            tuple(n + _NOISE_SHIFTS for n in geometry.shape) + (3,), dtype=np.float32)
        self._at_gain = (None, None)
        self._buffers = {}
        self.markers = np.empty((0, 2))
        if elastomer.kind.has_markers:
            self._print_markers()

    def as_seen(self, displacement):
        """What the camera looks at, for `brightness` and `picture`.

        Parameters
        ----------
        displacement : (3, ny, nx)
            Of the skin, at the material points of the grid, m.

        Returns
        -------
        (4, my, mx) float32
            Slopes d(z)/dx, d(z)/dy and displacement in x, y (m) of the skin that is at each
            place of the camera's own coarse grid.
        """
        return self._seen(displacement)

    def brightness(self, seen, light):
        """Light on the sensor at `REFERENCE_EXPOSURE` and gain 1, before noise and response.

        Returns
        -------
        (H, W, 3) float32
            Fraction of saturation; blue, green, red.
        """
        return np.square(self._root(seen, light, 1.0, 0.0) / np.float32(_ONE))

    def picture(self, seen, light, exposure, gain):
        """One exposed frame.

        Parameters
        ----------
        seen : (4, my, mx) float32
            From `as_seen`.
        light : Light
        exposure : float
            s.
        gain : float

        Returns
        -------
        (H, W, 3) uint8
            Blue, green, red.
        """
        # the root of (signal + constant) has the same noise everywhere
        # (F. J. Anscombe, Biometrika 35 (1948) 246)
        noise, pedestal, curve = self._sensor(gain)
        root = self._root(seen, light, gain * exposure / REFERENCE_EXPOSURE, pedestal)
        row, column = divmod(int(self._rng.integers(_NOISE_SHIFTS ** 2)), _NOISE_SHIFTS)
        noise = noise[row:row + root.shape[0], column:column + root.shape[1]]
        exposed = cv2.add(root, noise, dst=self._buffer('exposed', root.shape))
        digits = cv2.convertScaleAbs(exposed, alpha=1 / _DIGIT, beta=-_BELOW,
                                     dst=self._buffer('digits', root.shape, np.uint8))
        return cv2.LUT(digits, curve)

    def _sensor(self, gain):
        """Noise in units of a root, raised; pedestal; and tone curve (256,) uint8 at a gain."""
        if self._at_gain[0] != gain:
            full_well = self.optics.full_well
            pedestal = gain * self.optics.read_noise ** 2 / full_well
            signal = np.clip((np.arange(256) / 255) ** 2 - pedestal, 0, 1)
            curve = np.rint(255 * signal ** self.optics.gamma).astype(np.uint8)
            noise = np.clip(_DIGIT * (_BELOW + 127.5 * np.sqrt(gain / full_well) * self._normal),
                            0, 65535)
            self._at_gain = gain, (np.rint(noise).astype(np.uint16), pedestal, curve)
        return self._at_gain[1]

    def _root(self, seen, light, factor, pedestal):
        """Square root of brightness + pedestal, (H, W, 3) uint16 in units of 1 / _ONE."""
        led = np.array([light.red, light.green, light.blue]) * factor
        mixing = (np.array(self.optics.crosstalk) * led)[::-1].astype(np.float32)
        colour = mixing @ self._reflected(seen)
        colour += np.float32(_ROOM * factor + pedestal)
        np.sqrt(colour, out=colour)
        colour *= _ONE
        colour = np.rint(np.minimum(colour, 65535, out=colour), out=colour).astype(np.uint16)
        colour = cv2.merge(list(colour.reshape(3, *seen.shape[1:])))
        # cubic to the work grid, where the shading has to be smooth; beyond it nothing shows
        colour = self._enlarged(colour, 2, cv2.INTER_CUBIC, 'shading')
        if self.geometry.work_factor > 1:
            colour = self._enlarged(colour, self.geometry.work_factor, cv2.INTER_LINEAR, 'colour')
        colour = colour[self._crop]
        if not self.elastomer.kind.has_markers:
            return colour
        cover = cv2.cvtColor(self._cover(seen), cv2.COLOR_GRAY2BGR,
                             dst=self._buffer('cover', colour.shape))
        return cv2.multiply(colour, cover, dst=cover, scale=1 / _ALL)

    def _enlarged(self, field, factor, interpolation, name):
        height, width = (n * factor for n in field.shape[:2])
        return cv2.resize(field, (width, height), interpolation=interpolation,
                          dst=self._buffer(name, (height, width, *field.shape[2:]), field.dtype))

    def _buffer(self, name, shape, dtype=np.uint16):
        """Array kept from frame to frame: fresh memory would cost more than the arithmetic."""
        if name not in self._buffers:
            self._buffers[name] = np.empty(shape, dtype)
        return self._buffers[name]

    def _reflected(self, seen):
        """Light of each LED thrown back by unprinted skin, (3, N) where it is seen."""
        lx, ly, lz = self._lights
        if not self.elastomer.kind.has_shading:
            return lz + self._scattered
        sx, sy = seen[:2].reshape(2, -1)
        light = lx * sx
        light += ly * sy
        light += lz
        light *= 1 / np.sqrt(1 + sx * sx + sy * sy)
        np.maximum(light, 0, out=light)
        light += self._scattered
        return light

    def _cover(self, seen):
        """Root of the albedo where the markers are now, (H, W) uint16 in units of 1 / _ALL."""
        source = [self._enlarged(at, 2 * self.geometry.work_factor, cv2.INTER_LINEAR, name)
                  for name, at in zip('xy', self._print_at - seen[2:] * self._print_per_metre,
                                      strict=True)]
        cover = cv2.remap(self._print, *(at[self._crop] for at in source), cv2.INTER_LINEAR,
                          dst=self._buffer('print', self.geometry.shape),
                          borderMode=cv2.BORDER_REPLICATE)
        return cover if self.elastomer.kind.has_shading else self._over_scene(cover)

    def _print_markers(self):
        """Draw the marker lattice, finer than the image and a margin wider."""
        elastomer, optics, geometry = self.elastomer, self.optics, self.geometry
        rng = _generator(optics.serial, 'markers')
        # a fixed count, so that every image size of a serial shows the same print
        count = int(np.ceil(FIELD_WIDTH / elastomer.marker_pitch))
        index = np.stack(np.meshgrid(*[np.arange(-count, count + 1)] * 2), -1).reshape(-1, 2)
        c, s = np.cos(optics.lattice_turn), np.sin(optics.lattice_turn)
        at = (index + optics.lattice_shift) @ np.array([[c, s], [-s, c]])
        at = at * elastomer.marker_pitch + rng.normal(0, optics.print_error, index.shape)
        radius = elastomer.marker_diameter / 2 * (1 + rng.normal(0, 0.03, len(at)))
        reach = np.array([axis[-1] for axis in geometry.axes()]) + _PRINT_MARGIN
        inside = (np.abs(at) < reach).all(axis=1)
        self.markers = at[inside]
        pixel = geometry.metres_per_px / _PRINT_OVERSAMPLING
        middle = np.ceil(reach / pixel)
        albedo = np.ones((2 * middle + 1).astype(int)[::-1], np.float32)
        dark = _MARKER_ALBEDO if elastomer.kind.has_shading else _CLEAR_DOT
        for place, r in zip(self.markers / pixel + middle, radius[inside] / pixel, strict=True):
            _dot(albedo, place, r, _MARKER_EDGE / pixel, dark)
        self._print = np.rint(_ALL * np.sqrt(albedo)).astype(np.uint16)
        self._print_per_metre = np.float32(1 / pixel)
        x, y = self._seen_axes
        self._print_at = np.stack(
            np.meshgrid(x / pixel + middle[0], y / pixel + middle[1])).astype(np.float32)
        if not elastomer.kind.has_shading:
            scene = cv2.GaussianBlur(rng.random((64, 64)).astype(np.float32), (0, 0), 3)
            scene = cv2.resize(scene, (3 * geometry.width_px, 3 * geometry.height_px),
                               interpolation=cv2.INTER_CUBIC)
            self._scene = np.sqrt(cv2.normalize(scene, None, *_CLEAR_SCENE, cv2.NORM_MINMAX))
            self._scene_step = 0

    def _over_scene(self, cover):
        """Dots over whatever is behind a clear layer, which drifts a little with every frame."""
        self._scene_step += 1
        phase = self._scene_step / 200
        height, width = cover.shape
        row = int(height * (1 + np.sin(phase)))
        column = int(width * (1 + np.sin(0.7 * phase)))
        scene = self._scene[row:row + height, column:column + width]
        dot = np.float32(np.sqrt(_CLEAR_DOT))
        seen = dot + (cover / np.float32(_ALL) - dot) / (1 - dot) * (scene - dot)
        return np.rint(_ALL * seen).astype(np.uint16)


class _Seen:
    """From displacement at material points to slope and displacement at fixed places."""

    def __init__(self, x, y, seen_x, seen_y):
        self._slope_x = _derivative(x).T.copy()
        self._slope_y = _derivative(y)
        self._per_metre = np.float32([1 / (x[1] - x[0]), 1 / (y[1] - y[0])])
        places = np.stack(np.meshgrid(seen_x - x[0], seen_y - y[0]), -1).astype(np.float32)
        self._places = places * self._per_metre

    def __call__(self, displacement):
        u = np.asarray(displacement, np.float32)
        along_x = np.matmul(u, self._slope_x)
        along_y = np.matmul(self._slope_y, u)
        # slope = d(uz)/dX F^-1 with F = 1 + d(ux, uy)/dX
        a, b, c, d = 1 + along_x[0], along_y[0], along_x[1], 1 + along_y[1]
        det = a * d - b * c
        fields = cv2.merge([(along_x[2] * d - along_y[2] * c) / det,
                            (along_y[2] * a - along_x[2] * b) / det, u[0], u[1]])
        source = self._places
        for _ in range(4):                       # x = X + u(X) solved for X
            seen = cv2.remap(fields, source, None, cv2.INTER_LINEAR,
                             borderMode=cv2.BORDER_REPLICATE)
            source = self._places - seen[..., 2:] * self._per_metre
        return seen.transpose(2, 0, 1).copy()


def _derivative(grid):
    """(n, n) float32 matrix: derivative on the grid of a field, through a cubic spline."""
    return CubicSpline(grid, np.eye(len(grid)))(grid, 1).astype(np.float32)


def _coarser(axis):
    """Axis of cells twice as wide that reaches one of them beyond `axis` on both sides."""
    step = axis[1] - axis[0]
    return axis[0] - 1.5 * step + 2 * step * np.arange(-(-len(axis) // 2) + 2)


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


def _dot(albedo, place, radius, softness, dark):
    """Darken a soft-edged disc at `place` (column, row); lengths in albedo pixels."""
    reach = radius + 3 * softness
    first = np.maximum(np.ceil(place - reach), 0).astype(int)
    last = np.minimum(np.floor(place + reach) + 1, albedo.shape[::-1]).astype(int)
    columns, rows = (np.arange(*ends) - at for *ends, at in zip(first, last, place, strict=True))
    distance = np.hypot(columns, rows[:, None])
    cover = 1 / (1 + np.exp(np.minimum((distance - radius) / (softness / 2), 30)))
    patch = albedo[first[1]:last[1], first[0]:last[0]]
    np.minimum(patch, 1 - (1 - dark) * cover, out=patch)
