"""Stages that are more than one call: fitting, forecasting, looking back.

In: a connection and settings. Out: the records in ``pipeline.marts.results``, and marts.

Start with ``fitting``, then ``forecasting``; ``origins`` makes the fleet of an earlier day again,
``backtesting`` holds its forecasts against what happened. ``pipeline.run`` lists all stages.
"""
