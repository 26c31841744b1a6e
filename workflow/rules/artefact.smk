# Quantities of the scanner from the calibrated artefacts that were scanned with the vehicles.
rule artefact:
    input:
        **inputs_of("artefact"),
    output:
        json="results/{job}/artefact/{part}.json",
        data=directory("results/{job}/artefact/{part}"),
    log:
        "logs/{job}/artefact/{part}.log",
    benchmark:
        "benchmarks/{job}/artefact/{part}.tsv"
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        mem_mb=memory_mb(900, 4),
    params:
        settings=settings_of("artefact"),
        sheet=sheet_of("artefact"),
        code=provenance.code_hash("artefact"),
    script:
        "../scripts/artefact.py"
