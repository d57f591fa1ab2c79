"""The page to print and fill in before `goodwater init`: what it will ask, and room to write."""

from __future__ import annotations

_LINE = "_" * 12

PAGE = f"""\
GOODWATER - the first half hour: one page to fill in beside the machines
"don't know" is allowed everywhere; init says what it costs. Units as you have them.

THE TAP   supplier's report, strips, a hand meter
  hardness   {_LINE} gpg, dH, ppm        alkalinity {_LINE} ppm, dH
  pH         {_LINE}                     TDS or conductivity {_LINE} ppm, uS/cm
  chlorine   {_LINE} mg/L (0 if none)

THE WATER'S WAY   cross out what is not there, draw arrows where it goes otherwise
  tap > sediment filter > carbon > softener > booster pump > RO > DI bed > tank > sumps

SOFTENER  resin {_LINE} L, ft3    salt setting {_LINE} kg, lb each, or g/L, lb/ft3
          [ ] metered   [ ] timed, every {_LINE} days
RO        rated flow {_LINE} L/min, gpd      recovery {_LINE} %
DI BED    resin {_LINE} L, ft3    [ ] own   [ ] exchanged    fresh on {_LINE}
COOLANT   its sheet allows in its make-up water at most {_LINE} uS/cm, ppm
  name {_LINE}   factor {_LINE}   band ______ to ______ %
  mineral limit in the sump {_LINE} ppm, dH, gpg
  hours a week the machines run {_LINE}

SUMPS     one line for all that are alike, then only those that differ
  machine           litres, gallons     length x width of the liquid
  ________________  {_LINE}      {_LINE}{_LINE}
  ________________  {_LINE}      {_LINE}{_LINE}
  ________________  {_LINE}      {_LINE}{_LINE}
  ________________  {_LINE}      {_LINE}{_LINE}
  too low at {_LINE} mm, inch  (at the sensor)      how many in all ______

INSTRUMENTS   M MQTT (topic, a message)   L text line (port, a line)   B Modbus (address,
  register)   F logger file (its first two lines)   - none. From the sheet: unit, highest
  value, last digit, accuracy; for conductivity whether it compensates (ATC)
  tap        [ ] ________________________________________________________________
  RO feed    [ ] ________________________________________________________________
  permeate   [ ] ________________________________________________________________
  behind DI  [ ] ________________________________________________________________
  flow       [ ] ________________________________________________________________
  RO runs    [ ] ________________________________________________________________
  water temp [ ] ________________________________________________________________
  tank level [ ] ________________________________________________________________
  sump level [ ] ________________________________________________________________
  sump pump  [ ] ________________________________________________________________
  top-off    [ ] ________________________________________________________________
  MQTT broker on {_LINE}{_LINE}  its login {_LINE}

WHO IS TOLD
  name or role {_LINE}{_LINE}  mail {_LINE}{_LINE}
  second person {_LINE}{_LINE} mail server {_LINE}{_LINE}
  its security  [ ] starttls  [ ] tls      login {_LINE}  sender {_LINE}

Careful: no hand into a machine that can start, no open cabinet, no taste of treated water.
"""
