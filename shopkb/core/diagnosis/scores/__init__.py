"""How good past forecasts were, and where recent jobs differ from earlier ones."""
