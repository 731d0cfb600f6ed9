"""A bag over the years: `recheck`, `ledger`, `mend`, `reopen`."""
