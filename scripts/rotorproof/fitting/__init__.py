"""From readings to quantities with uncertainty: instruments assigned, procedures run, results chosen."""
