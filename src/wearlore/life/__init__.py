"""Life models: what fails, at what distance, and how sure that is (design section 6)."""

from wearlore.life.belief import Prior, prior_of, reference_prior
from wearlore.life.fit import Bound, Fit, bound, fit, profile_interval, rank
from wearlore.life.likelihood import EXPONENTIAL, LOGNORMAL, WEIBULL, LogLife, log_likelihood
from wearlore.life.model import LifeModel, life_model
from wearlore.life.nonparametric import SurvivalCurve, kaplan_meier
from wearlore.life.posterior import Posterior, posterior

__all__ = [
    "EXPONENTIAL",
    "LOGNORMAL",
    "WEIBULL",
    "Bound",
    "Fit",
    "LifeModel",
    "LogLife",
    "Posterior",
    "Prior",
    "SurvivalCurve",
    "bound",
    "fit",
    "kaplan_meier",
    "life_model",
    "log_likelihood",
    "posterior",
    "prior_of",
    "profile_interval",
    "rank",
    "reference_prior",
]
