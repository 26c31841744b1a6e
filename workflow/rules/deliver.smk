# Files in open formats with their checksums.
rule deliver:
    input:
        reduce="results/{job}/reduce/{part}.json",
        reduce_data=ancient("results/{job}/reduce/{part}"),
        frame="results/{job}/frame/{part}.json",
    output:
        json="results/{job}/deliver/{part}.json",
        data=directory("results/{job}/deliver/{part}"),
    log:
        "logs/{job}/deliver/{part}.log",
    benchmark:
        "benchmarks/{job}/deliver/{part}.tsv"
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        mem_mb=memory_mb(1000, 2),
    params:
        settings=settings_of("deliver"),
        sheet=sheet_of("deliver"),
        code=provenance.code_hash("deliver"),
    script:
        "../scripts/deliver.py"
