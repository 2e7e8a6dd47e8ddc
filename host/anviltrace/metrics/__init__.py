"""Numbers of a run with their uncertainties; a number that cannot be known is withheld with the reason."""
