"""The half-width of a 95 % interval on the normal scale, in standard errors. Once, for every estimator."""

from scipy.stats import norm

Z_95 = float(norm.ppf(0.975))
