"""Whether to buy a vehicle, what to look at first, and what to offer."""

from wearlore.appraisal.ages import over_ages
from wearlore.appraisal.inspecting import (
    Finding,
    Inspected,
    Offer,
    Sighted,
    in_order,
    sighted,
    without_dismantling,
)
from wearlore.appraisal.market import PriceModel, Sale, price_model
from wearlore.appraisal.offered import Renewed, kept_well, offered
from wearlore.appraisal.price import SURE, EvenPrice, beyond, even_price
from wearlore.appraisal.standard import Bills, Standard, standard, states

__all__ = [
    "SURE",
    "Bills",
    "EvenPrice",
    "Finding",
    "Inspected",
    "Offer",
    "PriceModel",
    "Renewed",
    "Sale",
    "Sighted",
    "Standard",
    "beyond",
    "even_price",
    "in_order",
    "kept_well",
    "offered",
    "over_ages",
    "price_model",
    "sighted",
    "standard",
    "states",
    "without_dismantling",
]
