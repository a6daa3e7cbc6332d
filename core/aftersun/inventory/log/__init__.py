"""What came of calls and visits: the call log, facts learnt, letters issued."""
