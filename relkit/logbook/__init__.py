"""The repair log in: files to tidy tables, findings and rows set aside."""
