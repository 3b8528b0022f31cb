"""The one likelihood function: what every weight, evidence row, next reading and look-alike is worked out with.

The model it computes, exactly up to the grid's step
----------------------------------------------------
*Truths* of a row (one part under one hypothesis of its making, see `rows.py`); N is a standard normal:

    journal       J = J0 + sdJ N - Exp(wear_journal)
    base circle   B = B0 + sdB N - U           one N a lobe; U one value a shaft
    lobe lift     L = L0 + sdL N - Exp(wear_nose)
    height        H = B + L
    length, separation, duration               a normal each

`U` is 0 for a part as made; for a reground one Gamma of mean `regrind_undersize_mean` and standard deviation
`regrind_undersize_sd`; for a stranger Normal(0, its own spread). Wear is 0 on a new shaft. Every lobe (kind and
cylinder) and every journal position has its own N and wear.

*Entries* (see `entries.py`): the mean of one entry's repeats is

    r = truth + Z + bias + sign * Exp(technique) + Normal(0, sd)

with `Z` the tool's zero, one value a tool: with probability 1 - zero_bad_share Normal(0, zero_sd), else
Normal(0, zero_bad_factor * zero_sd). A zero check is r = reference + Z + Normal(0, sd). A valve lift v read with
ratio q and lash a is the lift entry (v + a) / q of truth L (1 + Q), Q ~ Normal(0, valve_ratio_sd) one value a
submission (taken at L = r). The scatter of an entry's repeats about their mean is normal and the same for all rows.

How it is computed
------------------
Given Z and U the lobes and journals are independent, and each is an integral over its own truth of a product of
one-dimensional densities. All integrals run over uniform grids of one step h (the trapezium rule on a smooth,
vanishing integrand converges like exp(-2 pi^2 w^2 / h^2) for a width w), so that shifting by Z or U is moving by
whole steps:

    lobe      G(s) = sum_i A_i Normal(x_i - s - B0; sdB),   A_i = sum_j p(l_j) ML_j MB_i MH_(i+j)   with s = Z - U
    journal   F(Z) = sum_i M_i EMG(x_i - Z - J0)

where the tables M are products of the entries' densities and do not depend on the row. The grid carries the zero of
the tool that matters most; the zeros of further tools and Q are summed over Gauss-Hermite nodes outside.
"""
