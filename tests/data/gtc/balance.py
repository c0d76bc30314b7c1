"""Writes balance.csv: one coil's circuit by an uncertainty library of a national metrology institute.

    pip install GTC==1.5.1 && python balance.py > balance.csv

GTC (Measurement Standards Laboratory of New Zealand) propagates uncertainty by JCGM 100 and keeps track of what
values have in common. Source and drops are measured with one voltmeter, whose gain is one uncertain number here, so
that the covariance is the library's own doing. Standard uncertainties throughout; k = 1.
"""

from GTC import ureal, uncertainty, value

# source V, coil ohm, amps, feed drop V, ground drop V: value and own standard uncertainty; relative u of the gain.
CASES = [
    ((12.87, 0.004), (6.20, 0.030), (1.813, 0.0064), (0.021, 0.0012), (1.631, 0.0012), 0.0029),
    ((12.60, 0.006), (7.50, 0.045), (1.480, 0.0100), (0.140, 0.0012), (1.380, 0.0012), 0.0029),
    ((25.20, 0.006), (28.8, 0.150), (0.700, 0.0050), (4.100, 0.0020), (0.060, 0.0012), 0.0046),
    ((12.87, 0.004), (6.20, 0.030), (1.813, 0.0064), (0.021, 0.0012), (1.631, 0.0012), 0.0),
]

NAMES = ["expected_a", "lost_v", "lost_ohm", "lost_w", "feed_share", "ground_ohm", "ground_w", "ground_share", "rest_ohm"]
INPUTS = ["source", "coil", "amps", "feed", "ground"]

print(",".join([f"{name}{kind}" for name in INPUTS for kind in ("", "_u")] + ["gain_u"]
               + [f"{name}{kind}" for name in NAMES for kind in ("", "_u")]))
for *inputs, gain_u in CASES:
    source, coil, amps, feed, ground = (ureal(*one) for one in inputs)
    gain = ureal(1.0, gain_u) if gain_u else 1.0
    source, feed, ground = source * gain, feed * gain, ground * gain
    lost = source - coil * amps
    results = [
        source / coil,
        lost,
        source / amps - coil,
        amps * lost,
        feed / lost,
        ground / amps,
        amps * ground,
        ground / lost,
        (source - feed - ground) / amps - coil,
    ]
    figures = [x for one in inputs for x in one] + [gain_u]
    figures += [f"{part(result):.12g}" for result in results for part in (value, uncertainty)]
    print(",".join(str(figure) for figure in figures))
