"""part"""
