"""Opening balances: fish that lay in the freezers before the books were kept here."""
