"""Keys that several published tables share."""

PLAN_KEY = ("priced_on", "model_code", "scenario_code", "buyer_code")

MODEL_KEY = ("priced_on", "model_code", "buyer_code")
