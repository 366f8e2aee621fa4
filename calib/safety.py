"""The cautions that are shown wherever the work can hurt someone."""

SAFETY = (
    "Hot end and bed burn; moving parts pinch. Some filaments give off harmful fumes: ventilate."
    " Do not leave a printer unattended. Follow the maker's limits and local electrical and fire"
    " rules; let a qualified person do mains wiring."
)
