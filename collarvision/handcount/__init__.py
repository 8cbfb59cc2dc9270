"""Hand counts: the web page on which people count, correct handles, and take photos by phone.

`create_site` gives the application for a survey, `collarvision.handcount.running` serves it.
"""
