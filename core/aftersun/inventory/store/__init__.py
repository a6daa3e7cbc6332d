"""The inventory file: dictionary of columns, layout, migrations, opening, reading, copying."""
