# Target lists matched to the control survey and adjusted together. Reads text files only, so it waits for nothing.
rule network:
    output:
        json="results/{job}/network/{part}.json",
        data=directory("results/{job}/network/{part}"),
    log:
        "logs/{job}/network/{part}.log",
    benchmark:
        "benchmarks/{job}/network/{part}.tsv"
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        mem_mb=memory_mb(600, 0),
    params:
        settings=settings_of("network"),
        sheet=sheet_of("network"),
        code=provenance.code_hash("network"),
    script:
        "../scripts/network.py"
