"""resins"""
