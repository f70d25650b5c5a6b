"""Published estimators of hinge axes and twists, held against the pooled evidence on the same shots."""
