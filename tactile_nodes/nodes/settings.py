# SPDX-License-Identifier: Apache-2.0
"""The camera settings that can be changed live, checked and applied as one."""

from dataclasses import dataclass, replace

from tactile_nodes.device.contract import CHANNELS, Light, check_setting
from tactile_nodes.errors import DeviceError


@dataclass(frozen=True)
class CameraSettings:
    """Frame rate in Hz, exposure in s, gain as a factor, LED levels (Light)."""

    frame_rate: float
    exposure: float
    gain: float
    light: Light

    @classmethod
    def from_parameters(cls, values):
        """From the device node's parameters, as `parameters.declare` returns them."""
        light = Light(*(getattr(values, f'led_{channel}') for channel in CHANNELS))
        return cls(values.frame_rate, values.exposure, values.gain, light)

    def parameters(self):
        """{parameter name: value}."""
        return {'frame_rate': self.frame_rate, 'exposure': self.exposure, 'gain': self.gain,
                **{f'led.{channel}': getattr(self.light, channel) for channel in CHANNELS}}

    def seen_differently(self, before):
        """Whether the same skin gives another image than with the settings before."""
        return replace(self, frame_rate=before.frame_rate) != before

    def changed(self, parameters):
        """Settings after a change of some parameters, {name: value}."""
        names = {name for name in ('frame_rate', 'exposure', 'gain') if name in parameters}
        light = {channel: parameters[f'led.{channel}'] for channel in CHANNELS
                 if f'led.{channel}' in parameters}
        return replace(self, **{name: parameters[name] for name in names},
                       light=replace(self.light, **light))

    def check(self, info, before):
        """Raise DeviceError, with the reason, if a device cannot take the change from `before`."""
        if self.frame_rate != before.frame_rate:
            check_setting('frame rate', self.frame_rate, info.frame_rate_range, 'Hz')
        if self.gain != before.gain:
            check_setting('gain', self.gain, info.gain_range, '')
        if self.light != before.light and not info.has_light:
            raise DeviceError('LED levels cannot be set on this device')
        if self.exposure != before.exposure and info.exposure_range is None:
            raise DeviceError('exposure cannot be set on this device')
        if info.exposure_range is not None and self.exposure * self.frame_rate > 1:
            raise DeviceError('exposure longer than the frame period', found=self.exposure,
                              expected=f'at most {1 / self.frame_rate:.4g} s',
                              fix='Lower the exposure or the frame rate.')

    def apply(self, device):
        """Set everything that the device has.

        Returns
        -------
        CameraSettings
            What it took.
        """
        info = device.info
        taken = {}
        if info.exposure_range is not None and info.frame_rate_range is not None:
            try:
                taken['exposure'] = device.set_exposure(self.exposure)
                taken['frame_rate'] = device.set_frame_rate(self.frame_rate)
            except DeviceError:      # longer than the present period: the rate must fall first
                taken['frame_rate'] = device.set_frame_rate(self.frame_rate)
                taken['exposure'] = device.set_exposure(self.exposure)
        elif info.frame_rate_range is not None:
            taken['frame_rate'] = device.set_frame_rate(self.frame_rate)
        elif info.exposure_range is not None:
            taken['exposure'] = device.set_exposure(self.exposure)
        if info.gain_range is not None:
            taken['gain'] = device.set_gain(self.gain)
        if info.has_light:
            device.set_light(self.light)
        return replace(self, **taken)
