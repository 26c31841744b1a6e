# Target lists matched to the control survey and adjusted together, after a look whether each list lies on its own cloud.
rule network:
    input:
        **inputs_of("network"),
    output:
        json="results/{job}/network/{part}.json",
        data=directory("results/{job}/network/{part}"),
    log:
        "logs/{job}/network/{part}.log",
    benchmark:
        "benchmarks/{job}/network/{part}.tsv"
    priority: priority_of("network")
    retries: RETRIES
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        **needs_of("network"),
    params:
        settings=settings_of("network"),
        sheet=sheet_of("network"),
        code=provenance.code_hash("network"),
    script:
        "../scripts/network.py"
