"""Early failures and units that never fail, beside the life of the others."""
