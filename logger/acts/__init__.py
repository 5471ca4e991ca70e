"""Every act of a person: one transaction with its entry in the journal, or a refusal that changes nothing."""
