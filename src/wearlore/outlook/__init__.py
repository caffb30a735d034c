"""One vehicle's years to come under a policy, simulated; rivals on the same lives."""

from wearlore.outlook.courses import Courses, courses
from wearlore.outlook.policies import Comparison, PolicyCost, all_in_reach, mean_of, only_failed, simulate

__all__ = ["Comparison", "Courses", "PolicyCost", "all_in_reach", "courses", "mean_of", "only_failed", "simulate"]
