"""The store: one database file, its transactions, its event table and its explicit migrations."""
