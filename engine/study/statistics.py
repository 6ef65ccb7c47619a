"""Statistics in plain numbers: every function by its name, from the file that defines it."""

from engine.study.capability import Capability, cp_cpk
from engine.study.charts import Ewma, Individuals, ewma, individuals
from engine.study.detection import PodFit, pod_fit
from engine.study.kappa import Kappa, cohen_kappa, fleiss_kappa
from engine.study.ranking import Roc, roc
from engine.study.shares import (
    ClaimSize,
    clopper_pearson,
    lower_bound,
    sample_size_for_claim,
    upper_bound,
    wilson,
    zero_failure_n,
)
from engine.study.tolerance import (
    ToleranceBounds,
    distribution_free_bounds,
    distribution_free_coverage,
    distribution_free_n,
    tolerance_factor,
)

__all__ = [
    "Capability",
    "ClaimSize",
    "Ewma",
    "Individuals",
    "Kappa",
    "PodFit",
    "Roc",
    "ToleranceBounds",
    "clopper_pearson",
    "cohen_kappa",
    "cp_cpk",
    "distribution_free_bounds",
    "distribution_free_coverage",
    "distribution_free_n",
    "ewma",
    "fleiss_kappa",
    "individuals",
    "lower_bound",
    "pod_fit",
    "roc",
    "sample_size_for_claim",
    "tolerance_factor",
    "upper_bound",
    "wilson",
    "zero_failure_n",
]
