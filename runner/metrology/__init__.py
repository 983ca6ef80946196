"""Uncertainty budgets, accuracy statements and decision rules; imports nothing of ours.

accuracy, scope: a maker's statement as data -> scale: one instrument on one range on one day
-> readings, scope_budgets, tap, derived, earth: budgets -> decision: a word with its risk.
"""
