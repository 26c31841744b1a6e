# Strays, clusters, ground and surroundings removed of one segment; removed points kept beside with their reason.
rule clean:
    input:
        **inputs_of("clean"),
    output:
        json="results/{job}/clean/{part}.{segment}.json",
        data=directory("results/{job}/clean/{part}.{segment}"),
    log:
        "logs/{job}/clean/{part}.{segment}.log",
    benchmark:
        "benchmarks/{job}/clean/{part}.{segment}.tsv"
    priority: priority_of("clean")
    retries: RETRIES
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        **needs_of("clean"),
    params:
        settings=settings_of("clean"),
        sheet=sheet_of("clean"),
        code=provenance.code_hash("clean"),
    script:
        "../scripts/clean.py"
