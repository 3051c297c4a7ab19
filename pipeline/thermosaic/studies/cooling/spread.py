"""What is not known about a mat that cools, each as a range with its source and standing; and draws from it.

A range is taken as even: nothing in it is likelier than anything else. The draws are a Latin hypercube with a
fixed seed, so that equal questions have equal answers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...delivery import Sentence, tell

DRAWS, SEED = 48, 20260514
FIELD_CORES = "cores of pavements in Illinois and Indiana, a paper on urban heat islands"
HOT_MIX = "hot uncompacted mix: Chadbourn et al. (1996), ASTM STP 1299"
READ, MEMORY, PRACTICE = "read", "from memory, to be checked", "common practice, no source"


@dataclass(frozen=True, slots=True)
class Range:
    """An unknown between two ends."""

    low: float
    high: float
    unit: str
    meaning: str
    source: str
    standing: str

    def at(self, share: np.ndarray) -> np.ndarray:
        """Value at shares 0 .. 1 of the way from the low end to the high."""
        return self.low + (self.high - self.low) * share

    def told(self) -> Sentence:
        """Write the range with its source and standing."""
        if self.unit == "degC":
            span = tell(
                "{low_delta_c:+.0f} to {high_delta_c:+.0f}", low_delta_c=self.low, high_delta_c=self.high
            )
        else:
            span = tell(
                "{low:g} to {high:g}{unit}", low=self.low, high=self.high, unit=self.unit and f" {self.unit}"
            )
        return tell("{meaning} {span} ({source}; {standing})", meaning=self.meaning, span=span, source=self.source,
                    standing=self.standing)  # fmt: skip


RANGES = {
    "mat_w_mk": Range(0.9, 1.3, "W/(m K)", "conductivity of the mat", HOT_MIX, MEMORY),
    "mat_mj_m3k": Range(1.9, 2.4, "MJ/(m3 K)", "heat capacity of the mat",
                        "conductivity by diffusivity: 2.2 to 2.4 of Chadbourn et al. (1996), 2.07 of Corlew and "
                        "Dickson (1968), and less for lighter mixes", "derived, from memory"),
    "base_w_mk": Range(1.0, 3.0, "W/(m K)", "conductivity of the base", FIELD_CORES, READ),
    "base_mm2_s": Range(0.6, 2.0, "mm2/s", "diffusivity of the base, rising with its conductivity", FIELD_CORES, READ),
    "emissivity": Range(0.70, 0.95, "", "emissivity", f"{FIELD_CORES}; its high end Corlew and Dickson (1968)",
                        "read; high end from memory"),
    "absorbed_frac": Range(0.85, 0.95, "", "share of the sun absorbed", f"albedo of a new surface, {FIELD_CORES}",
                           READ),
    "film_times": Range(0.7, 1.4, "", "wind's film coefficient 7.4 + 6.39 V^0.75 W/(m2 K), V in m/s, times",
                        "the law Chadbourn et al. (1996); that published laws differ greatly: Heat Mass Transfer "
                        "2013, 10.1007/s00231-013-1116-0", "law from memory, factor common practice, no source"),
    "thickness_times": Range(0.9, 1.1, "", "thickness as stated, times", "a mat is not even", PRACTICE),
    "laid_off_delta_c": Range(-2.0, 8.0, "degC", "mean through the mat as laid against the surface reading",
                              "a surface cools first; instrument", PRACTICE),
    "air_off_delta_c": Range(-2.0, 2.0, "degC", "air against the reading", "read beside the road", PRACTICE),
    "base_off_delta_c": Range(-5.0, 10.0, "degC", "base against the air, where it is not stated",
                              "shade and night to a base in the sun", PRACTICE),
    "base_stated_delta_c": Range(-3.0, 3.0, "degC", "base against what is stated", "one place for a whole lot",
                                 PRACTICE),
}  # fmt: skip
TOGETHER = {"base_mm2_s": "base_w_mk"}  # drawn alike
CLOUD = "cloud"  # of the sky, within what its word says


def draw() -> dict[str, np.ndarray]:
    """Draw each unknown, float64 (draw) by name; `cloud` is a share of the way through what the sky's word says."""
    names = [name for name in (*RANGES, CLOUD) if name not in TOGETHER]
    random = np.random.default_rng(SEED)
    shares = {name: (random.permutation(DRAWS) + 0.5) / DRAWS for name in names}
    shares |= {name: shares[other] for name, other in TOGETHER.items()}
    return {name: RANGES[name].at(share) if name in RANGES else share for name, share in shares.items()}
