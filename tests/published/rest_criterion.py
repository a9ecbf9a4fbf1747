"""Writes rest_criterion.csv: the rest criterion against scipy.

For n stops the criterion accepts when the root mean square about the target is at most
allowed_rms = (w / z) * sqrt(chi2(1 - confidence; n) / n), with w = 5 degrees and z the normal
quantile of (1 + 0.99) / 2. Along the whole border of "99 % within w" (every mean, with the
deviation that just gives 99 %) the probability of acceptance is computed exactly from the
noncentral chi-square law; worst_acceptance is its largest value, which may not exceed 5 %.

Run: python3 rest_criterion.py > rest_criterion.csv   (scipy 1.17)
"""
import numpy as np
from scipy import optimize, stats

WIDTH, CONTENT, CONFIDENCE = 5.0, 0.99, 0.95
QUANTILE = stats.norm.ppf(0.5 * (1.0 + CONTENT))


def border_deviation(mean):
    def excess(deviation):
        inside = stats.norm.cdf((WIDTH - mean) / deviation)
        inside -= stats.norm.cdf((-WIDTH - mean) / deviation)
        return inside - CONTENT

    return optimize.brentq(excess, 1e-3, 10.0, xtol=1e-13)


def acceptance(count, allowed, mean, deviation):
    limit = count * (allowed / deviation) ** 2
    return stats.ncx2.cdf(limit, count, count * (mean / deviation) ** 2 + 1e-300)


print("stops,allowed_rms_deg,worst_acceptance,acceptance_at_1_degree_off")
for count in (10, 25, 50, 100, 300):
    allowed = WIDTH / QUANTILE * np.sqrt(stats.chi2.ppf(1.0 - CONFIDENCE, count) / count)
    border = [(mean, border_deviation(mean)) for mean in np.linspace(0.0, 4.9, 99)]
    found = [acceptance(count, allowed, mean, deviation) for mean, deviation in border]
    off = acceptance(count, allowed, 1.0, border_deviation(1.0))
    print(f"{count},{allowed:.9f},{max(found):.9f},{off:.9f}")
