"""How people get in, stay in and prove who they are: invitations, sessions, second factor."""
