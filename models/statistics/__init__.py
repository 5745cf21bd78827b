"""What the figures are computed with: arrays in, frozen results out, one estimator a file, all groups at once.

The estimators of time to an event start from a `risk_table` of every group's distinct times, and take
`vehicle_clusters` where the interval has to allow for several episodes of one vehicle. No result depends on which other
groups were computed with it. Where a figure cannot be given its value is NaN and the result says why: in a `reason`,
or, for the curves and what is read from them, by the rule stated in the docstring.
"""
