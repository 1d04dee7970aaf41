"""How far each unit runs: km per day now, ahead, through the year, and when it is seen next.

In: odometer sightings as intervals (unit, first day, days, km). Out: km per day with its variance
by unit, km ahead by any day, the yearly swing, and the distribution of days between check visits.

Symbols: km per day on the log scale; days count from the as-of day; variances are of the log.

Start with ``fit``; ``course`` says how all units' use went together, ``ahead`` gives what forecasts
take, ``interval_distribution`` when units come to be checked.
"""
