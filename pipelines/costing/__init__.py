"""From parts lists and offers to purchase plans with receipts and lower bounds."""
