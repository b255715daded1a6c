"""solve"""
