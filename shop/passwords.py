"""How passwords are kept."""

from django.contrib.auth import hashers


class Argon2PasswordHasher(hashers.Argon2PasswordHasher):
    """Argon2id as the OWASP Password Storage Cheat Sheet has it: 46 MiB, one pass, one lane.

    Django's own choice takes 100 MiB and eight threads for each log-in, which a shop's small machine feels
    when a whole shift logs in at once.
    """

    memory_cost = 47_104
    time_cost = 1
    parallelism = 1
