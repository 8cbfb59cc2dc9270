"""Above report: what photos from above gave, as files, a picture and a story to read.

- `collarvision.abovereport.files` keeps a `FieldAbove` in a folder and reads it back;
- `collarvision.abovereport.picture` draws plants and gaps on the photo;
- `collarvision.abovereport.words` tells it in sentences.
"""
