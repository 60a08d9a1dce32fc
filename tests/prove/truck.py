"""An invented truck's J1939 traffic, made from the published layouts and from nothing of this program.

SPN 190 engine speed, 91 pedal, 92 load, 513 torque, 523 gear, 84 vehicle speed, 597 brake, 110 coolant, 175 oil temperature in
PGNs 61444, 61443, 61445, 65265, 65262 (SAE J1939-71 as quoted in makers' manuals and the FMS-Standard); whatever the truck does not
have is FF, not available.
"""
import collections
import math

SECONDS = 60
IDENTIFIERS = {'eec1': (0x0CF00400, 20), 'eec2': (0x0CF00300, 50), 'etc2': (0x18F00503, 100), 'ccvs': (0x18FEF100, 100),
               'et1': (0x18FEEE00, 1000)}


class Drive:
    """What mutate.Truth reads from a file: raw numbers and values by signal, and codes that came."""

    def __init__(self):
        self.raw, self.value, self.codes = (collections.defaultdict(list) for _ in range(3))
        self.unit, self.lines = {}, []
        for ms in range(0, 1000 * SECONDS, 10):
            for at, (name, (identifier, period)) in enumerate(IDENTIFIERS.items()):
                if ms % period == 0:
                    data = getattr(self, name)(ms / 1000)
                    stamp = 1700000000 + ms / 1000 + at * 0.0006
                    self.lines.append(f'({stamp:.6f}) can0 {identifier:08X}#{bytes(data).hex().upper()}')

    def keep(self, name, value, scale, offset=0):
        """The raw number of a value, remembered."""
        raw = round((value - offset) / scale)
        self.raw[name].append(raw)
        self.value[name].append(raw * scale + offset)
        return raw

    def missing(self, *names):
        for name in names:
            self.codes[name].append('unavailable')

    @staticmethod
    def speed(t):
        """km/h: up, along, down to a standstill, and again."""
        phase = t % 30
        return min(phase * 7, 70 + 6 * math.sin(t), max(0.0, (28 - phase) * 9))

    def engine(self, t):
        gear = self.gear(t)
        return 620 + (0 if gear == 0 else self.speed(t) * 100 / (gear + 1)) + 15 * math.sin(9 * t)

    def gear(self, t):
        return min(6, int(self.speed(t) / 12))

    @staticmethod
    def pedal(t):
        return max(0.0, 60 * math.sin(t / 4.1) + 20 * math.sin(t))

    def eec1(self, t):
        rpm = self.keep('j1939_engine_speed', self.engine(t), 0.125)
        demand = self.keep('j1939_torque_demanded', round(self.pedal(t)), 1, -125)
        torque = self.keep('j1939_torque_actual', round(self.pedal(t - 0.3)), 1, -125)
        self.missing('j1939_torque_fraction')
        return [0xFF, demand, torque, rpm & 0xFF, rpm >> 8, 0xFF, 0xFF, 0xFF]

    def eec2(self, t):
        return [0xFF, self.keep('j1939_pedal', self.pedal(t), 0.4), self.keep('j1939_load', round(self.pedal(t - 0.2)), 1),
                0xFF, 0xFF, 0xFF, 0xFF, 0xFF]

    def etc2(self, t):
        return [0xFF, 0xFF, 0xFF, self.keep('j1939_gear', self.gear(t), 1, -125), 0xFF, 0xFF, 0xFF, 0xFF]

    def ccvs(self, t):
        speed = self.keep('j1939_vehicle_speed', self.speed(t), 1 / 256)
        brake = self.keep('j1939_brake', int(t % 30 > 21), 1)
        self.missing('j1939_parking_brake', 'j1939_clutch')
        return [0xFF, speed & 0xFF, speed >> 8, 0xCF | brake << 4, 0xFF, 0xFF, 0xFF, 0xFF]

    def et1(self, t):
        coolant = self.keep('j1939_coolant_temp', 60 + t / 4, 1, -40)
        oil = self.keep('j1939_oil_temp', 55 + t / 3, 0.03125, -273)
        self.missing('j1939_fuel_temp')
        return [coolant, 0xFF, oil & 0xFF, oil >> 8, 0xFF, 0xFF, 0xFF, 0xFF]
