# SPDX-License-Identifier: Apache-2.0
"""Fingertips that differ: geometry, rubber, light, camera and reference sensor, from a seed."""

from dataclasses import dataclass, field

import numpy as np

from tests.accuracy.elastic import Layer

WIDTH, HEIGHT = 320, 240


@dataclass(frozen=True)
class Lamp:
    """A small light: place in the tip frame (m, z below 0 is inside), colour 0-2, power."""

    place: tuple
    colour: int
    power: float


@dataclass(frozen=True)
class Camera:
    """From light to grey levels.

    Attributes
    ----------
    metres_per_px : float
        At the image's centre.
    distortion : float
        Relative radial displacement at the image's corner.
    vignetting : float
        Part of the light lost at the corner.
    gamma : float
        Grey level = 255 light^(1/gamma).
    crosstalk : ndarray
        (3, 3) light of colour j (red, green, blue) seen in channel i.
    electrons : float
        Full well; sets the shot noise.
    read_noise : float
        Part of full scale.
    pattern : float
        Relative fixed unevenness of the pixels.
    """

    metres_per_px: float
    distortion: float
    vignetting: float
    gamma: float
    crosstalk: np.ndarray
    electrons: float
    read_noise: float
    pattern: float


@dataclass(frozen=True)
class ReferenceSensor:
    """A force/torque sensor: rate in Hz, noise (N, N*m), late by s, zero offset (6,), topic."""

    rate: float
    force_noise: float
    torque_noise: float
    late: float
    zero: np.ndarray


@dataclass(frozen=True)
class Fingertip:
    """One fingertip with its skin, and what its elastomer file says (not quite the truth)."""

    name: str
    seed: int
    kind: str
    layer: Layer
    stated_modulus: float
    stated_thickness: float
    stated_pitch: float
    pitch: float
    dot: float
    dot_angle: float
    lamps: tuple
    diffuse: float
    ambient: float
    specular: float
    camera: Camera
    sensor: ReferenceSensor = field(repr=False)

    @property
    def has_markers(self):
        return self.kind != 'reflective'

    def elastomer_yaml(self):
        """The elastomer file's text."""
        lines = [f'name: {self.name}_{self.kind}', f'kind: {self.kind}',
                 f'thickness_mm: {self.stated_thickness * 1e3:.2f}',
                 f'modulus_kpa: {self.stated_modulus / 1e3:.1f}',
                 'modulus_relative_sd: 0.2', f'poissons_ratio: {self.layer.poisson:.3f}']
        if self.has_markers:
            lines += [f'marker_pitch_mm: {self.stated_pitch * 1e3:.3f}',
                      f'marker_diameter_mm: {self.dot * 1e3:.3f}']
        return '\n'.join(lines) + '\n'


def _lamps(rng):
    """Three rows of lamps, one a colour, on sides about 120 or 90 degrees apart."""
    first, apart = rng.uniform(0, 2 * np.pi), rng.choice([np.pi / 2, 2 * np.pi / 3])
    lamps = []
    for colour in rng.permutation(3):
        angle = first + apart * colour + rng.normal(0, 0.1)
        out, inside = rng.uniform(19e-3, 26e-3), rng.uniform(6e-3, 10e-3)
        row = rng.uniform(2e-3, 6e-3)
        for along in (-row, 0, row):
            lamps.append(Lamp((out * np.cos(angle) - along * np.sin(angle),
                               out * np.sin(angle) + along * np.cos(angle), -inside),
                              int(colour), float(rng.uniform(0.9, 1.1) * (out / 0.02) ** 2)))
    return tuple(lamps)


def _camera(rng):
    talk = np.eye(3) + rng.uniform(0.02, 0.14, (3, 3)) * (1 - np.eye(3))
    return Camera(metres_per_px=float(rng.uniform(0.05e-3, 0.07e-3)),
                  distortion=float(rng.uniform(-0.015, 0.015)),
                  vignetting=float(rng.uniform(0.05, 0.25)), gamma=float(rng.uniform(1.0, 2.2)),
                  crosstalk=talk, electrons=float(rng.uniform(6e3, 12e3)),
                  read_noise=float(rng.uniform(0.002, 0.005)), pattern=0.01)


def make_fingertip(seed, kind='reflective_markers', **changes):
    """A fingertip drawn from `seed`; the same seed has the same optics for every `kind`.

    Parameters
    ----------
    seed : int
    kind : str
        reflective, reflective_markers, clear_markers.
    """
    rng = np.random.default_rng([9041, seed])
    layer = Layer(float(rng.uniform(1.8e-3, 3.6e-3)), float(np.exp(rng.uniform(
        np.log(0.2e6), np.log(0.6e6)))), float(rng.uniform(0.47, 0.49)))
    values = {
        'name': f'tip{seed}', 'seed': seed, 'kind': kind, 'layer': layer,
        'stated_modulus': layer.modulus * float(rng.choice([0.8, 1.22])),
        'stated_thickness': layer.thickness * (0.7 if rng.uniform() < 0.5 else 1.4),
        'pitch': float(rng.uniform(1.1e-3, 1.7e-3)), 'dot': float(rng.uniform(0.35e-3, 0.55e-3)),
        'dot_angle': float(rng.normal(0, 0.02)), 'lamps': _lamps(rng),
        'diffuse': float(rng.uniform(0.2, 0.4)), 'ambient': float(rng.uniform(0.01, 0.04)),
        'specular': float(rng.uniform(0.03, 0.1)), 'camera': _camera(rng)}
    values['stated_pitch'] = values['pitch'] * float(
        np.random.default_rng([9042, seed]).uniform(0.88, 1.12))
    values['sensor'] = ReferenceSensor(
        rate=float(rng.choice([200, 200, 250, 250])), force_noise=4e-3, torque_noise=4e-5,
        late=float(rng.uniform(-0.02, 0.045)),
        zero=rng.normal(0, 1, 6) * ([0.02] * 3 + [1e-4] * 3))
    return Fingertip(**{**values, **changes})
