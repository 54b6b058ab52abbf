"""The goals: one module a family, each with its constraints, criteria, caption and diagnosis.

`plans.goals.finding` puts them together: what can be found for a goal, and what stands in the way when nothing can.
"""
