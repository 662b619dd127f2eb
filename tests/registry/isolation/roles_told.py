"""What the command says of roles, run as a program."""

import sys
from contextlib import suppress

import django
from django.core.management import CommandError, call_command

if __name__ == "__main__":
    django.setup()
    # What is otherwise is printed before the command refuses.
    with suppress(CommandError):
        call_command("roles", *sys.argv[1:], "--json")
