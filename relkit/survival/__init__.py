"""Survival curves and Weibull fits for all strata at once."""
