"""judge"""
