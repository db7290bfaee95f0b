"""The invented scenario: what makes demo_inputs/workspace/ and the price exports of its market. Nothing in it is real."""
