"""When linings are relined: dates of each wheel end, and a budget for the fleet.

In: the wear fit, the use fit, wheel ends as they stand, and what workshops did at past visits. Out:
days at the minimum and at the reline (p10, p50, p90), relines and cost by month and part of the
fleet, scenarios beside it, and the judgement of past forecasts.

Reaching the minimum (``forecast.minimum``) is a matter of safety, being relined
(``forecast.relining``) of the fleet's policy (``policy``); totals are simulated (``simulation``),
since what wheel ends share does not average out.

Start with ``fleet``, which puts a fleet together; then ``budget``, then ``backtest``.
"""
