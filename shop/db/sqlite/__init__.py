"""Django's SQLite backend behind one fair lock for writers: ENGINE = "shop.db.sqlite"."""
