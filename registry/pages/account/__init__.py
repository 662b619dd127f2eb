"""A person's own account: where they are signed in, what happened to the account, their password."""
