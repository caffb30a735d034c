"""Life models: what fails, at what distance, and how sure that is (design section 6)."""

from wearlore.life.acceleration import Acceleration, acceleration
from wearlore.life.belief import Prior, prior_of, reference_prior
from wearlore.life.compare.covariates import Covariate, Factor, Measure
from wearlore.life.compare.verdict import LifeComparison, compare, sentence
from wearlore.life.drift.distance import DistanceLeft, piece_path
from wearlore.life.drift.fit import Drift, TypicalPath, fit_drift
from wearlore.life.drift.paths import Paths
from wearlore.life.fit import Bound, Fit, bound, fit, profile_interval, rank
from wearlore.life.fractions.fit import FractionFit, fractions
from wearlore.life.fractions.study import FractionsStudy, fractions_study
from wearlore.life.hazard import Hazard, hazard
from wearlore.life.likelihood import EXPONENTIAL, LOGNORMAL, WEIBULL, LogLife, log_likelihood
from wearlore.life.model import LifeModel, life_model
from wearlore.life.nonparametric import SurvivalCurve, kaplan_meier
from wearlore.life.paper import Papers, papers
from wearlore.life.posterior import Posterior, posterior
from wearlore.life.recurrent.comparison import MeanComparison, compare_means
from wearlore.life.recurrent.mean import Histories, MeanCumulative, mean_cumulative
from wearlore.life.recurrent.powerlaw import PowerLaw, power_law
from wearlore.life.recurrent.trend import Trend, trend
from wearlore.life.turnbull import record_curve, turnbull

__all__ = [
    "EXPONENTIAL",
    "LOGNORMAL",
    "WEIBULL",
    "Acceleration",
    "Bound",
    "Covariate",
    "DistanceLeft",
    "Drift",
    "Factor",
    "Fit",
    "FractionFit",
    "FractionsStudy",
    "Hazard",
    "Histories",
    "LifeComparison",
    "LifeModel",
    "LogLife",
    "MeanComparison",
    "MeanCumulative",
    "Measure",
    "Papers",
    "Paths",
    "Posterior",
    "PowerLaw",
    "Prior",
    "SurvivalCurve",
    "Trend",
    "TypicalPath",
    "acceleration",
    "bound",
    "compare",
    "compare_means",
    "fit",
    "fit_drift",
    "fractions",
    "fractions_study",
    "hazard",
    "kaplan_meier",
    "life_model",
    "log_likelihood",
    "mean_cumulative",
    "papers",
    "piece_path",
    "posterior",
    "power_law",
    "prior_of",
    "profile_interval",
    "rank",
    "record_curve",
    "reference_prior",
    "sentence",
    "trend",
    "turnbull",
]
