"""What to do: verdicts, matings, prices, the years ahead, looking back."""
