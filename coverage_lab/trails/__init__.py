"""From pictures to swept floor: light in plan view, and what the trails in it say."""
