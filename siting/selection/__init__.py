"""Rules, programs and the engines that choose a layout and prove the choice."""
