"""The registry of what comes in and what goes out, one row each; it loads no library until a table is made."""
