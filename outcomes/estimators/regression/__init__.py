"""Cox regression: `cox` gives hazard ratios from a table, `robust_wald` tests them by cluster."""

from outcomes.estimators.regression.efron import ChiSquare
from outcomes.estimators.regression.fit import cox
from outcomes.estimators.regression.result import Coefficient, CoxFit, robust_wald

__all__ = ["ChiSquare", "Coefficient", "CoxFit", "cox", "robust_wald"]
