"""splitboard, upper wing: fit what was recorded, answer the questions, write the report."""
