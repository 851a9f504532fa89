"""Checks the takes of a manifest through Apache Spark's pipe.

    spark-submit --master spark://HOST:7077 spread.py PROGRAM MANIFEST OUT [SLICES]

Each slice of the manifest goes to one `PROGRAM check - --json-lines`; Spark starts it on the
workers, runs a slice again where a worker was lost, and brings the answers back. Paths in the
manifest, and PROGRAM, must be the same on every machine (a shared folder).
"""
import sys
from pyspark import SparkContext

program, manifest, out = sys.argv[1:4]
slices = int(sys.argv[4]) if len(sys.argv) > 4 else 64
spark = SparkContext(appName="passagework")
answers = spark.textFile(manifest, slices).pipe(f"{program} check - --json-lines", checkCode=True)
with open(out, "w") as file:
    # One slice at a time comes to this machine.
    for answer in answers.toLocalIterator(prefetchPartitions=True):
        file.write(answer + "\n")
spark.stop()
