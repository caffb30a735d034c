"""Forecasts held against what happened."""
