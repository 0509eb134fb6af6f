unit_test(test_plot SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/record/test_plot.c LINKS record)
