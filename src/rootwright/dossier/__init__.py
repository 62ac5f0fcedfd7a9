"""What an evaluator reads: the evidence, what is open, the assumptions, one page of HTML."""
