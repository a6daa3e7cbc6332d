"""What each retrofit is worth on the sites of a cohort: cohorts, their year simulated, net present value."""
