drop schema queue cascade;
